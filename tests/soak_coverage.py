"""How often the printed 95 % interval of a soak's final rise holds the truth it was made with."""

from dataclasses import dataclass

import numpy as np
from scipy import integrate

from tracker.bench import soak
from tracker.errors import BadRequest

RISE, TAU = 31.0, 600.0


@dataclass(frozen=True)
class Design:
    """How a soak is read: `room` is how far the ambient swings, kelvin; `errors` the correlation of neighbours."""

    name: str
    readings: int
    length_s: float
    scatter_k: float = 0.3
    room_k: float = 0.0
    room_scatter_k: float = 0.0
    from_rest: bool = False
    errors: float = 0.0


DESIGNS = (
    Design("6 readings in 3 time constants", 6, 1800.0),
    Design("6 readings, start at ambient", 6, 1800.0, from_rest=True),
    Design("6 readings, changing ambient", 6, 2400.0, room_k=2.0),
    Design("8 readings in 1.5 time constants", 8, 900.0),
    Design("30 readings in 2.5 time constants", 30, 1500.0),
    Design("60 readings, changing ambient", 60, 2400.0, room_k=2.0),
    Design("60 readings, changing ambient that is read to 0.1 K", 60, 2400.0, room_k=2.0, room_scatter_k=0.1),
)
"""Errors independent, as the model says."""
CORRELATED = (
    Design("60 readings, neighbours correlated 0.5", 60, 2400.0, errors=0.5),
    Design("120 readings, neighbours correlated 0.8", 120, 2400.0, errors=0.8),
)
"""Errors not as the model says; the interval is widened."""


@dataclass(frozen=True)
class Covered:
    """Repeats that held the truth, repeats with an interval bounded on both sides, and repeats in all."""

    held: int
    bounded: int
    repeats: int

    @property
    def share(self) -> float:
        """Of the bounded ones."""
        return self.held / max(self.bounded, 1)


def covered(design: Design, repeats: int, seed: int) -> Covered:
    """Return how often the likelihood interval, the one that is printed, held the truth."""
    rng = np.random.default_rng(seed)
    n = design.readings
    t = np.linspace(design.length_s / n if design.from_rest else 0.0, design.length_s, n)
    room = 22.0 + design.room_k * np.sin(t / 500.0) + design.room_k * t / 4000.0
    truth = _felt(t, room) - RISE * np.expm1(-t / TAU) + (0.0 if design.from_rest else 2.0) * np.exp(-t / TAU)
    held = bounded = 0
    for _ in range(repeats):
        seen = room + rng.normal(0.0, design.room_scatter_k, n)
        try:
            found = soak.fit(t, truth + _errors(design, rng), seen, from_rest=design.from_rest).final
        except BadRequest:
            continue
        if found.likelihood_lower is not None and found.likelihood_upper is not None:
            bounded += 1
            held += found.likelihood_lower <= RISE <= found.likelihood_upper
    return Covered(held, bounded, repeats)


def _felt(t: np.ndarray, room: np.ndarray) -> np.ndarray:
    """Return what the part feels of the ambient, by a general solver of differential equations."""
    found = integrate.solve_ivp(
        lambda s, c: (np.interp(s, t, room) - c) / TAU,
        (t[0], t[-1]),
        [room[0]],
        t_eval=t,
        rtol=1e-9,
        atol=1e-9,
        max_step=10.0,
    )
    return np.asarray(found.y[0])


def _errors(design: Design, rng: np.random.Generator) -> np.ndarray:
    errors = rng.normal(0.0, design.scatter_k, design.readings)
    for i in range(1, len(errors) if design.errors else 0):
        errors[i] = design.errors * errors[i - 1] + np.sqrt(1.0 - design.errors**2) * errors[i]
    return errors
