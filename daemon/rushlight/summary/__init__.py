"""The weekly summary: what a week was like, as text, HTML and pictures.

Imports views, effects, events, settings, the alarms' words, the drawing room, science and jinja2; never the tank, the
journal or an outlet.
"""
