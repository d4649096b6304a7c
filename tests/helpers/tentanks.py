"""An installation of ten tanks."""

from __future__ import annotations

from helpers.site import CONFIG

NAMES = (
    "Foyer", "Reading room", "Children's room", "Local history", "Lending desk", "Study hall", "Staff kitchen",
    "Map room", "Quarantine", "Lecture theatre",
)  # fmt: skip


def ten() -> str:
    """The small installation, its foyer tank ten times under other names, `tank-0` to `tank-9`."""
    head, _, rest = CONFIG.partition("[[tank]]")
    tank, _, kit = rest.partition("[[kit]]")
    kit = kit.partition("[[probe]]")[0]
    made = "".join(
        f"[[tank]]{tank}".replace('"foyer"', f'"tank-{n}"').replace('"Foyer"', f'"{name}"')
        for n, name in enumerate(NAMES)
    )
    return f"{head}{made}[[kit]]{kit}"
