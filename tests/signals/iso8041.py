"""The frequency weightings as ISO 8041-1 defines them, written out: H = Hhp · Hlp · Ht · Hs."""

import numpy as np

PARAMETERS = {  # f3, f4, Q4 of the transition; f5, Q5, f6, Q6 of the step; gain (ISO 8041-1, table of parameters)
    "Wk": ((12.5, 12.5, 0.63), (2.37, 0.91, 3.35, 0.91), 1.0),
    "Wd": ((2.0, 2.0, 0.63), None, 1.0),
    "Wb": ((16.0, 16.0, 0.55), (2.5, 0.9, 4.0, 0.95), 1.024),
    "Wc": ((8.0, 8.0, 0.63), None, 1.0),
    "We": ((1.0, 1.0, 0.63), None, 1.0),
    "Wj": (None, (3.75, 0.91, 5.32, 0.91), 1.0),
}


def response(name, f_hz):
    """The complex response at frequencies in Hz."""
    transition, step, total = PARAMETERS[name]
    s = 2j * np.pi * np.asarray(f_hz, float)
    w1, w2 = 2 * np.pi * 0.4, 2 * np.pi * 100.0
    total = total / (1 + np.sqrt(2) * w1 / s + (w1 / s) ** 2) / (1 + np.sqrt(2) * s / w2 + (s / w2) ** 2)
    if transition:
        w3, w4, q4 = 2 * np.pi * transition[0], 2 * np.pi * transition[1], transition[2]
        total = total * (1 + s / w3) / (1 + s / (q4 * w4) + (s / w4) ** 2)
    if step:
        w5, q5, w6, q6 = 2 * np.pi * step[0], step[1], 2 * np.pi * step[2], step[3]
        total = total * (1 + s / (q5 * w5) + (s / w5) ** 2) / (1 + s / (q6 * w6) + (s / w6) ** 2) * (w5 / w6) ** 2
    return total
