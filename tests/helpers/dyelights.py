"""What lights do to a dye and to the ink of its chart: many dyes, inks, cameras and lights, none of them the judge's.

A library of its own, apart from `strippictures`: dyes that absorb green with one to three bands drawn at random, process
inks with edges drawn at random and dot areas that match the dye under D50, cameras with bell curves or with the eye's
cones (Stockman and Sharpe 2000) leaning into each other, and illuminants of CIE 15, CIE 2018's LEDs among them, but for
the eight under which `strippictures` takes its pictures.  The phone maps to sRGB by a colour checker, under the light
itself or under daylight.  What is drawn, and from where to where, is our own choice.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from rushlight.science.optics import colour as ours

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # of optional parts that are not installed
    import colour

Array = NDArray[np.float64]
NM = np.arange(400.0, 701.0, 10.0)
LIGHTS = (
    *("A", "C", "D55", "D60", "D75", "ID50", "ID65"),
    *("FL1", "FL3", "FL4", "FL5", "FL6", "FL7", "FL8", "FL9", "FL10", "FL12"),
    *(f"FL3.{i}" for i in range(4, 16)),
    *("LED-B1", "LED-B5", "LED-BH1", "LED-V2"),
)
PADS, LEVELS = np.array([0.0, 10, 25, 50, 100, 250]), np.array([12.5, 25.0, 50.0, 100.0])
_TO_SRGB = np.linalg.inv(np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]))


def _at(told: Any) -> Array:
    return np.asarray(np.interp(NM, told.wavelengths, told.values))


def _three(told: Any) -> Array:
    return np.array([np.interp(NM, told.wavelengths, told.values[:, i]) for i in range(3)])


def light(name: str) -> Array:
    """A CIE illuminant's power, 1 on the mean."""
    power = _at(colour.SDS_ILLUMINANTS[name])
    return power / power.mean()


OBSERVER = _three(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
CONES = _three(colour.MSDS_CMFS["Stockman & Sharpe 2 Degree Cone Fundamentals"])
CHECKER = np.array([_at(s) for s in colour.SDS_COLOURCHECKERS["BabelColor Average"].values()])
_BY_EYE = (CHECKER @ (OBSERVER * light("D65")).T) / (OBSERVER[1] * light("D65")).sum() @ _TO_SRGB.T


def bell(peak: float, below: float, above: float) -> Array:
    """A bell curve, 1 at its peak, with a width of its own to either side."""
    return np.asarray(np.exp(-0.5 * ((NM - peak) / np.where(peak > NM, below, above)) ** 2))


def camera(rng: np.random.Generator) -> Array:
    """Sensitivities of red, green and blue."""
    if rng.random() < 0.25:
        shifted = np.array(
            [np.interp(NM - by, NM, cone) for by, cone in zip(rng.uniform(-10, 10, 3), CONES, strict=True)]
        )
        return np.asarray((np.eye(3) + rng.uniform(0, 0.15, (3, 3)) * (1 - np.eye(3))) @ shifted)
    peaks = (rng.uniform(580, 615), rng.uniform(515, 550), rng.uniform(440, 475))
    alone = np.array([bell(p, rng.uniform(22, 50), rng.uniform(25, 50)) for p in peaks])
    return np.asarray(alone + rng.uniform(0, 0.3) * rng.uniform(0, 1, (3, 3)) * (1 - np.eye(3)) @ alone)


def profile(response: Array) -> Array:
    """White-balanced channels to linear sRGB, fitted to the checker; white stays white."""
    raw = (CHECKER @ response.T) / response.sum(axis=1)
    rows = np.zeros((3, 3))
    for i in range(3):
        others = [k for k in range(3) if k != i]
        rows[i, others] = np.linalg.lstsq(raw[:, others] - raw[:, [i]], _BY_EYE[:, i] - raw[:, i], rcond=None)[0]
        rows[i, i] = 1.0 - rows[i].sum()
    return rows


@dataclass(frozen=True, kw_only=True)
class Kit:
    """Reflectances: pads at `LEVELS`, their paper, the chart's fields and its card."""

    pads: Array
    paper: Array
    chart: Array
    card: Array


def kit(rng: np.random.Generator) -> Kit:
    """A dye on paper by Kubelka-Munk, and a chart printed to look like it under D50, a little off."""
    peak = rng.uniform(525, 560)
    dye = bell(peak, *rng.uniform(28, 48, 2)) + rng.uniform(0, 0.6) * bell(peak - rng.uniform(15, 45), 30, 30)
    dye = (
        dye + rng.uniform(0, 0.3) * bell(peak + rng.uniform(10, 30), 22, 22) + rng.uniform(0, 0.15) * bell(430, 40, 40)
    )
    bare = rng.uniform(0.80, 0.92) - rng.uniform(0, 0.15) * np.exp(-(NM - 400) / rng.uniform(30, 60))
    surface, strength, half = rng.uniform(0.01, 0.04), rng.uniform(0.012, 0.03), rng.uniform(80, 400)

    def pads(values: Array) -> Array:
        km = (1 - bare) ** 2 / (2 * bare) + (strength * values / (1 + values / half))[:, None] * dye / dye.max()
        return np.asarray(surface + (1 - surface) * (1 + km - np.sqrt(km * km + 2 * km)))

    card = rng.uniform(0.85, 0.92) - rng.uniform(0, 0.06) * np.exp(-(NM - 400) / 30)
    solids = _solids(card, _inks(rng))
    chart = [np.clip(_matched(pad, solids) + 0.015 * rng.normal(size=3), 0, 1) for pad in pads(PADS)]
    return Kit(
        pads=pads(LEVELS),
        paper=surface + (1 - surface) * bare,
        chart=np.array([_print(a, solids) for a in chart]),
        card=0.02 + 0.98 * card,
    )


def _inks(rng: np.random.Generator) -> tuple[Array, Array, Array]:
    cyan = 1 - rng.uniform(0.85, 0.95) / (1 + np.exp(-(NM - rng.uniform(580, 605)) / rng.uniform(10, 20)))
    main = bell(rng.uniform(535, 565), rng.uniform(30, 50), rng.uniform(22, 45))
    magenta = 1 - rng.uniform(0.85, 0.96) * np.maximum(main, rng.uniform(0, 0.8) * bell(rng.uniform(515, 530), 25, 25))
    yellow = 1 - rng.uniform(0.85, 0.95) / (1 + np.exp((NM - rng.uniform(485, 505)) / rng.uniform(8, 16)))
    cyan = cyan - rng.uniform(0.05, 0.25) * bell(420, 30, 30) * cyan
    return cyan, magenta * (1 - rng.uniform(0.1, 0.4) * bell(430, 30, 30)), yellow


def _solids(card: Array, inks: tuple[Array, Array, Array]) -> Array:
    laid = [np.prod([ink**on for ink, on in zip(inks, ons, strict=True)], axis=0) for ons in product((0, 1), repeat=3)]
    return np.array([0.02 + 0.98 * card * through for through in laid])


def _print(areas: Array, solids: Array) -> Array:
    on = [np.prod([a if o else 1 - a for a, o in zip(areas, ons, strict=True)]) for ons in product((0, 1), repeat=3)]
    return np.asarray(np.array(on) @ solids)


def _matched(pad: Array, solids: Array) -> Array:
    white = OBSERVER * light("D50")

    def lab(spectrum: Array) -> Array:
        x, y, z = np.cbrt((white @ spectrum) / white.sum(axis=1))
        return np.array([116 * y, 500 * (x - y), 200 * (y - z)])

    return np.asarray(least_squares(lambda a: lab(_print(a, solids)) - lab(pad), [0.2, 0.4, 0.2], bounds=(0, 1)).x)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """One picture's densities: pads at `LEVELS`, and the chart's fields."""

    pads: Array
    chart: Array


def shots(rng: np.random.Generator, n: int) -> list[Shot]:
    """One kit by one phone in several lights; white balance, tone, shade and noise are a little off in each."""
    of, seen_by = kit(rng), camera(rng)
    maker = profile(seen_by * light("D65")) if rng.random() < 0.3 else None
    made = []
    for name in rng.choice(LIGHTS, n, replace=False):
        response = seen_by * light(str(name))
        balance = np.array([np.exp(rng.normal(0, 0.04)), 1.0, np.exp(rng.normal(0, 0.04))])
        matrix, tone = profile(response) if maker is None else maker, np.exp(rng.normal(0, 0.03))

        def seen(
            surface: Array, response: Array = response, b: Array = balance, m: Array = matrix, t: float = tone
        ) -> Any:
            raw = (np.atleast_2d(surface) @ response.T) / response.sum(axis=1) * b
            return np.clip(0.7 * raw @ m.T, 1e-5, None) ** t

        shade = rng.normal(0, 0.006)
        noise = rng.normal(0, 0.003, (len(PADS), 3))
        pads = _densities(seen(of.pads), seen(of.paper)[0])
        made.append(Shot(pads=pads + shade, chart=_densities(seen(of.chart), seen(of.card)[0]) + shade + noise))
    return made


def _densities(spots: Array, paper: Array) -> Array:
    return np.array([ours.density(ours.balanced(tuple(s), tuple(paper))) for s in spots])
