"""Plants: growth from sizes, leaf cover from pictures."""
