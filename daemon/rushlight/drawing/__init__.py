"""Pictures as SVG text: those that stand alone, the lanes of a timeline, and the signs above it.

Draws what it is given; works out nothing about tanks.

Imports localtime and the pure part of the standard library; no file, clock, thread or socket.
"""

from rushlight.drawing.canvas import MAIL, PAGE, Palette
from rushlight.drawing.pictures import Band, Bar, light, nitrate, shares

__all__ = ["MAIL", "PAGE", "Band", "Bar", "Palette", "light", "nitrate", "shares"]
