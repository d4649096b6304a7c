"""SVG to PNG in a short-lived child process, so that the rasteriser's memory is gone with it.

Run as `python -m rushlight.summary.raster` it is the child: one JSON line with SVG and width in, PNG bytes out.
"""

from __future__ import annotations

import json
import logging
import subprocess
import sys

log = logging.getLogger(__name__)

DEADLINE_S = 60.0
WIDTH_PX = 720
"""Twice the width at which a phone shows it, for sharp lines on a fine display."""
_PNG = b"\x89PNG\r\n\x1a\n"


def png(svg: str, width_px: int = WIDTH_PX, deadline_s: float = DEADLINE_S) -> bytes | None:
    """The picture as PNG; None where the rasteriser is not installed, fails or takes too long."""
    asked = json.dumps({"svg": svg, "width": width_px}).encode()
    try:
        done = subprocess.run(
            [sys.executable, "-m", "rushlight.summary.raster"],
            input=asked,
            capture_output=True,
            timeout=deadline_s,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as e:
        log.warning("picture=failed why=%s", type(e).__name__)
        return None
    if done.returncode != 0 or not done.stdout.startswith(_PNG):
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or ["no picture came back"]
        log.warning("picture=failed why=%r", last[0][:200])
        return None
    return done.stdout


def _main() -> None:
    import resvg_py  # noqa: PLC0415 - only the child pays for it

    asked = json.loads(sys.stdin.buffer.read())
    sys.stdout.buffer.write(bytes(resvg_py.svg_to_bytes(svg_string=asked["svg"], width=asked["width"])))


if __name__ == "__main__":
    _main()
