"""Rendered pictures of plants over a tank's rim, whose share of leaf is known by construction.

An invention for tests: leaves as ellipses of many greens with veins, shade and shine, before a wall, wood, gravel or
dark water, under several lamps, with a card as the white mark; then the camera's exposure, noise and codes.  Drawn
larger and scaled down, so that edges are mixed as a camera mixes them.
"""

from __future__ import annotations

import colorsys
import io
import math
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

WIDTH, HEIGHT = 320, 240
CARD = (0.5, 0.93)
"""The middle of the white card, as shares of width and height."""
FRAME = ((0.05, 0.05), (0.95, 0.05), (0.95, 0.82), (0.05, 0.82))
LAMPS = {"day": (1.0, 1.0, 1.0), "warm": (1.25, 1.0, 0.62), "cool": (0.9, 1.0, 1.2), "pinkish": (1.15, 0.9, 1.05)}
GROUNDS = {
    "wall": (205, 200, 190),
    "grey": (120, 122, 121),
    "wood": (120, 88, 58),
    "dark": (38, 42, 44),
    "gravel": (150, 140, 120),
}
"""Codes under daylight."""


@dataclass(frozen=True)
class Scene:
    """The picture as codes (rows, columns, 3), and the true share of leaf within FRAME."""

    codes: np.ndarray
    share: float
    ground: str
    lamp: str

    def jpeg(self, quality: int = 92, **more: object) -> bytes:
        out = io.BytesIO()
        Image.fromarray(self.codes).save(out, "JPEG", quality=quality, **more)
        return out.getvalue()


def as_a_phone_sends_it(scene: Scene) -> np.ndarray:
    """The codes after a phone's JPEG with half the colour, taken larger and scaled down, as the page does it."""
    larger = Image.fromarray(scene.codes).resize(
        (2 * scene.codes.shape[1], 2 * scene.codes.shape[0]), Image.Resampling.BICUBIC
    )
    out = io.BytesIO()
    larger.save(out, "JPEG", quality=88, subsampling="4:2:0")
    return np.asarray(Image.open(out).convert("RGB").reduce(2))


def linear(codes: np.ndarray) -> np.ndarray:
    a = codes / 255.0
    return np.where(a <= 0.04045, a / 12.92, ((a + 0.055) / 1.055) ** 2.4)


def coded(light: np.ndarray) -> np.ndarray:
    a = np.clip(light, 0.0, 1.0)
    return 255.0 * np.where(a <= 0.0031308, 12.92 * a, 1.055 * a ** (1 / 2.4) - 0.055)


def green(rng: np.random.Generator) -> tuple[int, int, int]:
    """A leaf's colour: from yellowish to bluish green, dull to bright, pale to deep."""
    hue, dull, value = rng.uniform(65, 150) / 360, rng.uniform(0.25, 0.8), rng.uniform(0.25, 0.75)
    r, g, b = colorsys.hsv_to_rgb(hue, dull, value)
    return int(255 * r), int(255 * g), int(255 * b)


def scene(
    rng: np.random.Generator,
    *,
    leaves: int | None = None,
    ground: str = "",
    lamp: str = "",
    colour: tuple[int, int, int] | None = None,
    wide: int = WIDTH,
) -> Scene:
    """One picture; `leaves` None draws some number of them, `colour` makes them all of one."""
    ground, lamp = ground or str(rng.choice(list(GROUNDS))), lamp or str(rng.choice(list(LAMPS)))
    scale = 2
    w, h = wide * scale, wide * 3 // 4 * scale
    base = Image.new("RGB", (w, h), GROUNDS[ground])
    mask = Image.new("L", (w, h), 0)
    pen, marks = ImageDraw.Draw(base), ImageDraw.Draw(mask)
    if ground == "gravel":
        for _ in range(900):
            x, y, r = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(4, 12) * w / 960
            v = rng.uniform(0.6, 1.25)
            pen.ellipse((x - r, y - r, x + r, y + r), fill=tuple(int(min(255, c * v)) for c in GROUNDS["gravel"]))
    number = int(rng.integers(15, 120)) if leaves is None else leaves
    for _ in range(number):
        fill = colour or green(rng)
        length, width = rng.uniform(0.05, 0.15) * w, rng.uniform(0.012, 0.045) * w
        x, y, turn = rng.uniform(0.05, 0.95) * w, rng.uniform(0.05, 0.82) * h, rng.uniform(0, math.pi)
        t = np.linspace(0, 2 * math.pi, 40)
        px, py = length * np.cos(t), width * np.sin(t) * (1.0 + 0.3 * np.cos(t))
        points = list(
            zip(
                x + px * math.cos(turn) - py * math.sin(turn),
                y + px * math.sin(turn) + py * math.cos(turn),
                strict=True,
            )
        )
        pen.polygon(points, fill=fill)
        marks.polygon(points, fill=255)
        if rng.random() < 0.3:  # shine
            r = 0.3 * width
            pen.ellipse((x - r, y - r, x + r, y + r), fill=tuple(int(c + 0.5 * (250 - c)) for c in fill))
        dx, dy = 0.9 * length * math.cos(turn), 0.9 * length * math.sin(turn)
        pen.line(
            (x - dx, y - dy, x + dx, y + dy), fill=tuple(int(min(255, c * 1.25)) for c in fill), width=max(1, w // 300)
        )
    card = (CARD[0] * w - 0.05 * w, CARD[1] * h - 0.045 * h, CARD[0] * w + 0.05 * w, CARD[1] * h + 0.045 * h)
    pen.rectangle(card, fill=(215, 215, 215))
    light = linear(np.asarray(base, float))
    yy, xx = np.mgrid[0:h, 0:w]
    shade = 1.0 - 0.6 * np.clip(
        np.sin(xx / w * rng.uniform(5, 25) + rng.uniform(0, 6)) * np.sin(yy / h * rng.uniform(5, 25)), 0, 1
    )
    light *= shade[..., None]
    light *= (1.0 + 0.35 * (xx / w - 0.5) * rng.uniform(-1, 1) + 0.35 * (yy / h - 0.5) * rng.uniform(-1, 1))[..., None]
    light = light.reshape(h // scale, scale, w // scale, scale, 3).mean((1, 3))
    light *= np.asarray(LAMPS[lamp]) * rng.uniform(0.55, 0.95)
    codes = coded(light) + rng.normal(0.0, rng.uniform(1.0, 4.0), light.shape)
    cover = np.asarray(mask, float).reshape(h // scale, scale, w // scale, scale).mean((1, 3)) / 255.0
    rows, columns = cover.shape
    inner = cover[round(0.05 * rows) : round(0.82 * rows), round(0.05 * columns) : round(0.95 * columns)]
    return Scene(np.clip(np.rint(codes), 0, 255).astype(np.uint8), float(inner.mean()), ground, lamp)
