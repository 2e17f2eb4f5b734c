"""The bodies that are tapped: frequency (Hz), Q, amplitude of each mode, and which of them carry a name.

Invented, within what the field knows. Violin: ranges of Bissinger 2008 and Woodhouse 2014 (from memory), a
bridge-hill cluster near 2.5 kHz. Cello: A0 97, T1 140, main body 173, others 200, 209, 281 Hz (Zhang,
Woodhouse and Stoppani 2016, JASA 140, 2636, quoted in a public source file). Bass: A0 65-67, T1 115,
A2 150-158 Hz (Brown 2004, PhD, quoted), main body 100 Hz (Askenfelt 1982, from memory). Plate: #1, #2, #5 of
Hutchins 1981 (from memory), close pairs at 191.5/196.5 and 426/435 Hz as measured on real spruce plates. Bar:
free-free Euler-Bernoulli ratios 1 : 2.756539 : 5.403918 : 8.932950 (computed).
"""

from dataclasses import dataclass

import numpy as np

VIOLIN = (
    (170, 35, 0.25), (230, 40, 0.25), (275, 17, 1.0), (345, 45, 0.3), (400, 50, 0.8), (450, 45, 1.0),
    (470, 25, 0.25), (540, 50, 1.2), (595, 45, 0.5), (640, 40, 0.4), (690, 40, 0.5), (760, 45, 0.6),
    (810, 45, 0.5), (870, 45, 0.4), (930, 40, 0.5), (990, 40, 0.5), (1060, 45, 0.6), (1130, 50, 0.5),
    (1190, 45, 0.4), (1260, 45, 0.5), (1340, 45, 0.5), (1450, 45, 0.5), (1600, 40, 0.6), (1800, 40, 0.7),
    (2050, 35, 0.8), (2300, 30, 1.0), (2450, 25, 1.0), (2600, 25, 1.0), (2900, 30, 0.6),
)  # fmt: skip
CELLO = (
    (62, 30, 0.2), (97, 14, 1.0), (140, 35, 0.5), (173, 35, 1.2), (200, 40, 0.5), (222, 40, 0.5),
    (281, 40, 0.6), (315, 40, 0.4), (352, 40, 0.5), (395, 45, 0.5), (442, 40, 0.5), (490, 45, 0.4),
    (545, 45, 0.5), (600, 40, 0.5), (662, 40, 0.5), (730, 40, 0.6), (800, 40, 0.5), (880, 40, 0.5),
    (960, 40, 0.5), (1060, 35, 0.6), (1200, 30, 0.9), (1350, 25, 1.0), (1500, 30, 0.7), (2100, 25, 0.6),
)  # fmt: skip
BASS = (
    (42, 30, 0.2), (66, 14, 1.0), (100, 30, 1.2), (115, 35, 0.6), (154, 25, 0.4), (180, 40, 0.5),
    (208, 40, 0.5), (240, 40, 0.5), (272, 40, 0.5), (310, 40, 0.5), (350, 45, 0.5), (395, 40, 0.5),
    (445, 40, 0.5), (500, 40, 0.5), (560, 40, 0.5), (640, 35, 0.6), (740, 35, 0.7), (860, 30, 0.9),
    (1000, 30, 0.7), (1250, 30, 0.5),
)  # fmt: skip
PLATE = (
    (88, 60, 0.6), (127, 150, 0.7), (165, 80, 1.0), (191.5, 110, 0.8), (196.5, 90, 0.6), (256, 90, 0.9),
    (278, 100, 0.7), (355, 120, 1.2), (403, 170, 0.8), (426, 90, 0.7), (435, 110, 0.7), (492, 80, 0.6),
    (555, 60, 0.8), (593, 70, 0.7), (670, 100, 0.8), (742, 90, 0.7), (815, 80, 0.8), (905, 90, 0.7),
    (1010, 80, 0.7), (1130, 80, 0.8), (1290, 70, 0.7), (1480, 70, 0.7), (1720, 70, 0.7), (2050, 60, 0.8),
)  # fmt: skip
BAR = ((392.0, 1500, 1.0), (1080.6, 1800, 0.6), (2118.3, 2200, 0.4), (3501.7, 2600, 0.3))

VIOLIN_STRINGS = (196.0, 293.66, 440.3, 659.3)


@dataclass(frozen=True)
class Body:
    """A kind of instrument or piece, as the package is told of it, and its modes.

    Parameters
    ----------
    modes : (frequency Hz, Q, amplitude)
    named : frequency in the table of each mode whose error is judged
    family, piece : as `find_modes` takes them
    band : (float, float), Hz   where modes are looked for
    spacing : float, s   between taps
    length : float, s   of the decay in the statement of the bound
    moving : float   all frequencies together differ by this share from seed to seed at most
    lowest_damping : float   what rings longer is no mode to a user who knows the piece
    level_dependence : float   relative fall of frequency when a blow is twice as strong as usual; none where
        the bound lies far below what it would do
    """

    modes: tuple[tuple[float, float, float], ...]
    named: dict[str, float]
    family: str
    piece: str
    band: tuple[float, float]
    spacing: float = 1.0
    length: float = 0.6
    moving: float = 0.02
    lowest_damping: float = 0.004
    level_dependence: float = 5e-6


BODIES = {
    "violin": Body(
        VIOLIN, {"A0": 275, "CBR": 400, "B1-": 450, "B1+": 540}, "violin", "whole", (60.0, 1200.0)
    ),
    "cello": Body(
        CELLO, {"A0": 97, "T1": 140, "B1-": 173}, "cello", "whole", (45.0, 800.0), spacing=1.4, length=0.9
    ),
    "bass": Body(BASS, {"A0": 66, "B1": 100}, "bass", "whole", (30.0, 500.0), spacing=1.7, length=1.2),
    "plate": Body(
        PLATE,
        {"#1": 88, "#2": 165, "low": 191.5, "high": 196.5, "#5": 355},
        "violin", "top", (50.0, 900.0), spacing=2.4, length=2.0, lowest_damping=0.001, level_dependence=0.0,
    ),
    "bar": Body(
        BAR,
        {"first": 392.0, "second": 1080.6, "third": 2118.3},
        "other", "whole", (40.0, 4000.0), spacing=3.0, length=2.0, lowest_damping=0.0, level_dependence=0.0,
    ),
}  # fmt: skip


def draw(name, rng, *, pair=(), under_a_string=False):
    """Modes of one instrument of a kind: (frequency, damping, amplitude) arrays and the named indices."""
    body = BODIES[name]
    table = np.array(body.modes, float)
    named = dict(body.named)
    if pair:
        i = int(np.flatnonzero(table[:, 0] == named["CBR"])[0])
        table[i] = (pair[0], 50, 0.8)
        table = np.insert(table, i + 1, (pair[1], 50, 0.7), axis=0)
        named |= {"CBR": pair[0], "CBR'": pair[1]}
    if under_a_string:
        table[table[:, 0] == 470] = (440, 40, 0.5)
        named |= {"under A": 440}
    table = table[np.argsort(table[:, 0])]
    index = {label: int(np.argmin(np.abs(table[:, 0] - f))) for label, f in named.items()}
    moved = table[:, 0] * (1.0 + rng.uniform(-body.moving, body.moving))  # together: pairs stay pairs
    if under_a_string:
        moved = table[:, 0]
    moved = moved + rng.uniform(-0.5, 0.5, len(table))
    damping = 0.5 / (table[:, 1] * rng.uniform(0.85, 1.15, len(table)))
    amplitude = table[:, 2] * rng.uniform(0.7, 1.3, len(table)) * rng.choice([-1.0, 1.0], len(table))
    return moved, damping, amplitude, index
