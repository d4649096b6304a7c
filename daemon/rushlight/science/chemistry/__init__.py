"""The chemistry of a tank's water, and what is done about it."""
