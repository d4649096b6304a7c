"""The weekly summary: what a week was like, as text, HTML and pictures.

Imports alarms, drawing, effects, events, localtime, localunits, settings, tank, views, jinja2, resvg_py, subprocess.
"""
