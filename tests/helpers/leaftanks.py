"""Simulated tanks whose plants take up less, each for one reason; only the evidence that the product would have.

An invention for tests: outgrown, a lamp that dims, a dirty light probe, plants cut back, cold water, and nothing at all.
Hand readings err by a tenth or more, the lamp's percent by a point, the rate by what weekly looks leave.
"""

from __future__ import annotations

import numpy as np

from rushlight.events import LightSpot
from rushlight.tank.growth import outgrown, spots

REASONS = ("outgrown", "dimmed", "dirty probe", "cut back", "cold", "nothing")
DAY_S = 86_400.0
PLACES = ("umbrella sedge", "water mint", "creeping jenny")
DOSE_MOL, HOURS = 3.0, 10.0


def verdict(reason: str, seed: int) -> outgrown.Outgrown | None:
    """What the product says of one such tank, twenty weeks on."""
    rng = np.random.default_rng([1806, REASONS.index(reason), seed])
    lost = rng.uniform(0.15, 0.4)
    lamp = 1.0 - lost if reason == "dimmed" else 1.0
    probe = 1.0 - lost if reason == "dirty probe" else 1.0
    # A cut opens the leaves to the light; outgrown leaves stand in their own and each other's shade.
    leaf = {"outgrown": 1.0 - rng.uniform(0.3, 0.6), "cut back": rng.uniform(1.0, 1.3)}.get(reason, 1.0)
    kept = spots.SpotsState()
    usual = {place: rng.uniform(0.1, 0.6) for place in PLACES}
    for week in (0, 10, 20):
        for n, place in enumerate(PLACES):
            part = week / 20.0
            at_leaf = usual[place] * (1.0 + (leaf - 1.0) * part) * (1.0 + (lamp - 1.0) * part)
            seen = 6000.0 * at_leaf * float(np.exp(rng.normal(0.0, 0.12)))
            read = 6000.0 * (1.0 + (lamp - 1.0) * part) * (1.0 + (probe - 1.0) * part) * (1.0 + rng.normal(0.0, 0.02))
            event = LightSpot(at_s=week * 7 * DAY_S + n, id=f"{week}-{n}", tank="foyer", place=place, value=seen)
            spots.note(kept, event, spots.share_of(event, read, 0.0144, quantum=False))
    lines = spots.table(kept, 140 * DAY_S, DOSE_MOL * lamp * probe, None)
    percent = 100.0 * lamp * probe + rng.normal(0.0, 1.0)
    slower = reason != "nothing" and rng.random() < 0.9
    return outgrown.judge(
        outgrown.Seen(
            lamp_percent=percent,
            light_alarm=percent < 95.0,
            growth_slow=slower and reason != "dirty probe",
            uptake_per_light=rng.normal(0.6 if slower and reason not in ("dimmed", "dirty probe") else 1.0, 0.08),
            spots=spots.trend(lines),
            cut_lately=reason == "cut back",
            colder_c=rng.uniform(3.0, 6.0) + rng.normal(0.0, 0.3) if reason == "cold" else rng.normal(0.0, 0.5),
            dose_mol=DOSE_MOL * lamp * probe,
            lamp_hours=HOURS,
        )
    )
