"""The weekly summary: what a week was like, as text, HTML and pictures.

Imports views, effects, settings and jinja2; never the tank, the journal or an outlet.
"""
