"""How the tank's plants grow, and what light comes to their leaves."""
