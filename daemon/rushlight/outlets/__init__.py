"""Push, e-mail, hub, time-series store, heartbeat: how news leaves the house.  Imports events, settings, the outbox's types, clock."""
