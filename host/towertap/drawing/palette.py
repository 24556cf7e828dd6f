"""The colours of pages and pictures, for paper and for dark screens."""

PALETTE: dict[str, tuple[str, str]] = {
    "paper": ("#ffffff", "#15191d"),
    "ink": ("#1f2933", "#e6e9ec"),
    "quiet": ("#5a6570", "#a7b1bb"),
    "faint": ("#d5dadf", "#3b444d"),
    "wash": ("#e9edf1", "#262d34"),
    "shade": ("#c9d1d8", "#47525c"),
    "muted": ("#98a3ad", "#6f7b86"),
    "before": ("#006aa7", "#5db0e6"),
    "after": ("#b04700", "#f0914a"),
    "harsher": ("#a8430a", "#f2a277"),
    "gentler": ("#00735a", "#52c7a5"),
    "equivalent": ("#004d80", "#86c0ec"),
    "undecided": ("#5c6771", "#a8b2bb"),
}
"""Name → colour on paper and on a dark screen. Before and after are close to blue and vermilion in Okabe and Ito's
palette (2008). Text contrasts with paper and wash by 4.5 to 1 or more (WCAG 2.2, success criterion 1.4.3)."""


def css() -> str:
    """The palette as CSS custom properties, `--ink` and so on: dark on screens if the reader prefers it."""
    light, dark = ("".join(f"--{name}:{pair[screen]};" for name, pair in PALETTE.items()) for screen in (0, 1))
    return (
        f":root{{color-scheme:light dark;{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    )
