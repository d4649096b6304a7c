"""Light and colour: photons, doses, the sun, and the colours of a strip."""
