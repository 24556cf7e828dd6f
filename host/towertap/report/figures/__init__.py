"""Pictures of the findings and of the bench, one module each: plain data in, matplotlib figures out."""
