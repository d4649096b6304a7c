"""Small JPEGs for tests of the diary, and ways to send one as the page does."""

from __future__ import annotations

import base64
import io

import numpy as np
from PIL import Image

from helpers.page import Answer, Client

COMMENT = b"rushlight plants 0.1000 0.1000 0.9000 0.1000 0.9000 0.7000 0.1000 0.7000 mark 0.5000 0.9000"


def picture(seed: int, *, size: tuple[int, int] = (64, 48), quality: int = 80, comment: bytes = COMMENT) -> bytes:
    """A JPEG as the page makes it: no Exif, the marks in its comment."""
    noise = np.random.default_rng(seed).integers(0, 255, (size[1] // 8, size[0] // 8, 3), np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).resize(size).save(out, "JPEG", quality=quality, comment=comment)
    return out.getvalue()


def saved(**options: object) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (40, 30), (60, 120, 40)).save(out, "JPEG", **options)
    return out.getvalue()


def exif() -> Image.Exif:
    """A phone's: its maker, and a place (CIPA DC-008, tags 271 and 34853)."""
    made = Image.Exif()
    made[271] = "a phone"
    made.get_ifd(34853).update({1: "N", 2: (53.0, 20.0, 0.0)})
    return made


def letters(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def send(client: Client, data: bytes, *, entry_id: str = "", cover: str = "31.5", **more: str) -> Answer:
    """The form of the picture page, filled in and sent."""
    client.get("/tanks/foyer/picture")
    form = {"id": entry_id or client.value("id"), "jpeg": letters(data) if data else "", "cover_percent": cover, **more}
    return client.post("/tanks/foyer/picture", form)
