"""One tank's state and its step.  Pure: imports science, alarms, events, settings and the standard library."""
