"""Push, e-mail, hub, time-series store, heartbeat: how news leaves the house.

Imports events, effects, views, settings, the journal's outbox and clock.
"""
