"""Pictures as SVG text, for the page and the e-mail alike.

Draws what it is given; works out nothing about tanks.

Imports localtime and the pure part of the standard library; no file, clock, thread or socket.
"""

from rushlight.drawing.canvas import MAIL, PAGE, Palette
from rushlight.drawing.pictures import Band, Bar, Mark, balance, light, nitrate, probe, shares

__all__ = ["MAIL", "PAGE", "Band", "Bar", "Mark", "Palette", "balance", "light", "nitrate", "probe", "shares"]
