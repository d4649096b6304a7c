"""The time-series store, fed from the journal."""
