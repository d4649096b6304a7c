"""Looks at what is plugged in and proposes probes for the configuration.

Owns the reading of a device tree below a root, `/` or a fake one.  Never opens a device and never reads a value:
everything here comes from names and links, so looking disturbs nobody.

Serial ports are proposed by a name that stays: by-id where that tells the boards apart, else by-path, with the
warning that the socket then matters.  What can't be known from a name (what a board measures) is a guess and
marked so.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

_THERMOMETERS = ("28", "10", "22", "3b", "42")
"""1-Wire family codes that the kernel's w1_therm reads."""
_QUANTITY_OF = {
    "in_illuminance": ("light", "lx"),
    "in_temp": ("air_temperature", "degC"),
    "in_humidityrelative": ("humidity", "%"),
    "in_ph": ("ph", ""),
}
BOARD_FIELDS: Mapping[str, tuple[str, str]] = {
    "temp": ("temperature", "degC"),
    "light": ("light", "lx"),
    "ph_mv": ("ph", "mV"),
}
"""What the board firmware that comes with this program calls its values, with each one's quantity and unit."""
BOARD_LINES: Mapping[str, str] = {"format": "pairs", "checksum": "crc16_modbus"}
"""How that firmware writes its lines, in the words of the `lines` driver."""
_FULL_SCALE = {"bh1710": 65535, "bh1715": 65535, "bh1721": 65535, "bh1750": 65535, "bh1751": 65535}
"""The last raw count of light chips by the kernel's name for them: 16 bits (maker's data sheets; Linux,
drivers/iio/light/bh1750.c reads a 16-bit word).  A sensor that stands there sees more than it can say."""
_GUESSED_FIELD = "ph_mv"
_CONSOLES = re.compile(r"tty(AMA|S)[0-9]+$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """One probe that could be configured.

    `options` are the driver's own keys.  `sure` is False where quantity or options are a guess that a person has
    to confirm; `why` says what was found, `warnings` what to look out for.
    """

    id: str
    driver: str
    quantity: str
    unit: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)
    sure: bool = True
    why: str = ""
    warnings: Sequence[str] = ()

    def table(self, tank: str) -> dict[str, Any]:
        """The `[[probe]]` table for this proposal, ready to be written as TOML."""
        head = {"id": self.id, "tank": tank, "quantity": self.quantity, "driver": self.driver}
        return head | ({"unit": self.unit} if self.unit else {}) | dict(self.options)


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What a look at the tree gave: probes, and remarks that belong to none of them."""

    proposals: Sequence[Proposal] = ()
    remarks: Sequence[str] = ()


def discover(root: Path | str = "/") -> Findings:
    """Everything below `root` that looks like a probe.  Raises nothing: what can't be read is left out."""
    top = Path(root)
    proposals = [*_thermometers(top), *_chips(top), *_ports(top)]
    remarks = []
    if not (top / "sys/bus/w1/devices").is_dir():
        remarks.append("no 1-wire bus: switch it on in the boot configuration if thermometers are to hang on the Pi")
    if not (top / "sys/bus/iio/devices").is_dir():
        remarks.append("no industrial-I/O chips: load their overlay in the boot configuration if there are any")
    remarks += _bare_ports(top)
    return Findings(proposals=_with_distinct_ids(proposals), remarks=remarks)


def _names(folder: Path) -> list[str]:
    try:
        return sorted(p.name for p in folder.iterdir())
    except OSError:
        return []


def _thermometers(top: Path) -> Iterator[Proposal]:
    folder = top / "sys/bus/w1/devices"
    for name in _names(folder):
        family, dash, serial = name.partition("-")
        if not dash or family.lower() not in _THERMOMETERS:
            continue
        options = {"device": name} | _moved("root", folder, "/sys/bus/w1/devices")
        yield Proposal(
            id=f"temperature-{serial[-4:]}",
            driver="onewire",
            quantity="temperature",
            options=options,
            why=f"thermometer {name} on the 1-wire bus",
        )


def _chips(top: Path) -> Iterator[Proposal]:
    folder = top / "sys/bus/iio/devices"
    chips = {n: _text(folder / n / "name") for n in _names(folder) if n.startswith("iio:device")}
    often = Counter(chips.values())
    for number, name in chips.items():
        unique = bool(name) and often[name] == 1
        warnings = () if unique else (f"more than one chip is called {name!r}; numbers may change at the next boot",)
        for channel in _channels(folder / number):
            kind = re.sub(r"[0-9]+$", "", channel)
            quantity, unit = _QUANTITY_OF.get(kind, ("", ""))
            if not quantity:
                continue
            options = {"device": name if unique else number}
            options |= {} if channel == "in_illuminance" else {"channel": channel}
            end, unknown = _range(folder / number, channel, name) if quantity == "light" else ({}, ())
            yield Proposal(
                id=f"{quantity.replace('_', '-')}-{_plain(name or number)}",
                driver="iio",
                quantity=quantity,
                unit=unit,
                options=options | end | _moved("root", folder, "/sys/bus/iio/devices"),
                sure=quantity == "light",
                why=f"{channel} of the chip {name or number}",
                warnings=(*warnings, *unknown),
            )


def _range(chip: Path, channel: str, name: str) -> tuple[dict[str, int], tuple[str, ...]]:
    """The option for the end of a light chip's range, or the warning that it has to be looked up.

    Where the kernel works out the lux by itself (`_input`) the raw count is not what is read.
    """
    if name in _FULL_SCALE and not (chip / f"{channel}_input").exists():
        return {"full_scale": _FULL_SCALE[name]}, ()
    warning = (
        "set full_scale to the highest value this chip can give (its data sheet): without it, light beyond the end of "
        "its range counts as a good reading"
    )
    return {}, (warning,)


def _channels(chip: Path) -> list[str]:
    """The chip's values, such as in_illuminance or in_voltage0."""
    found = (re.fullmatch(r"(in_[a-z]+[0-9]*)_(raw|input)", n) for n in _names(chip))
    return sorted({m[1] for m in found if m})


def _ports(top: Path) -> Iterator[Proposal]:
    """Serial boards, each under the name that will still be its own after the next boot."""
    by_id, by_path = (_links(top / "dev/serial" / how) for how in ("by-id", "by-path"))
    ports = sorted({*by_id, *by_path})
    quantity, unit = BOARD_FIELDS[_GUESSED_FIELD]
    # A board without a serial number shares its by-id name with its twin, and only one of the two gets it: a port
    # that has no by-id name of its own gives such a pair away.
    twins = {_kind(p) for p in ports if p not in by_id}
    for port in ports:
        ambiguous = _kind(port) in twins
        named = port in by_id and not ambiguous
        path = by_id[port] if named else by_path.get(port, by_id.get(port, ""))
        warnings = ["what it measures can't be seen from outside; set quantity, unit, field and format to match"]
        if ambiguous:
            warnings.append("boards of this kind have no serial number to tell them apart: keep each in its socket")
        yield Proposal(
            id=f"board-{port.lower().removeprefix('tty')}",
            driver="lines",
            quantity=quantity,
            unit=unit,
            options={"port": str(path), "field": _GUESSED_FIELD} | dict(BOARD_LINES),
            sure=False,
            why=f"serial port {port}, {'by its serial number' if named else 'by its socket'}",
            warnings=warnings,
        )


def _links(folder: Path) -> dict[str, Path]:
    """Port name to the stable link that leads to it; the first by name where several do."""
    found: dict[str, Path] = {}
    for name in _names(folder):
        link = folder / name
        try:
            found.setdefault(link.readlink().name, link)
        except OSError:
            continue
    return found


def _kind(port: str) -> str:
    """`ttyUSB0` and `ttyUSB1` are of one kind."""
    return port.rstrip("0123456789")


def _bare_ports(top: Path) -> Iterator[str]:
    """Ports on the Pi's own pins: they carry the system's console unless that was switched off."""
    for name in _names(top / "dev"):
        if _CONSOLES.search(name):
            yield f"/dev/{name} is on the Pi's own pins; switch the serial console off before using it for a probe"


def _text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _moved(key: str, folder: Path, usual: str) -> dict[str, str]:
    """The option that says where the tree is, where it is not in its usual place."""
    return {} if str(folder) == usual else {key: str(folder)}


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")


def _with_distinct_ids(proposals: Sequence[Proposal]) -> list[Proposal]:
    """Number the second and further proposals that would have the same id."""
    seen: Counter[str] = Counter()
    out = []
    for p in proposals:
        seen[p.id] += 1
        out.append(p if seen[p.id] == 1 else replace(p, id=f"{p.id}-{seen[p.id]}"))
    return out
