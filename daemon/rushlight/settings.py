"""The configuration as the rest of the program sees it: frozen, typed, with every default written here.

Owns names, units and defaults.  Never reads a file (that is `config.loading`), never imports a library beyond the
markers of `annotated_types`, so the core may depend on it.  The docstring under a field is its documentation.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal

from annotated_types import Ge, Gt, Le, MinLen

Fraction = Annotated[float, Ge(0), Le(1)]
Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]
Count = Annotated[int, Ge(0)]
Name = Annotated[str, MinLen(1)]
ClockTime = str
"""Local wall time as HH:MM, 00:00 to 24:00."""

Quantity = Literal["temperature", "ph", "light", "nitrate", "conductivity", "level", "air_temperature", "humidity"]
Substance = Literal["nitrate", "nitrite", "ammonia", "ph", "kh", "gh", "chlorine", "chloride"]
Priority = Literal["low", "medium", "high"]
UnitSystem = Literal["metric", "us", "uk"]

_CHECKED: dict[str, Any] = {"extra": "forbid", "arbitrary_types_allowed": True}


@dataclass(frozen=True, slots=True)
class Band:
    """A low and a high limit; either may be left out."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """Where the Pi stands."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    name: str = "rushlight"
    timezone: str = "UTC"
    latitude: Annotated[float, Ge(-90), Le(90)] | None = None
    longitude: Annotated[float, Ge(-180), Le(180)] | None = None
    units: UnitSystem = "metric"
    """What people read and write: `us` °F, US gallons, inches, ppm and hardness as ppm of CaCO3; `uk` imperial gallons
    and inches.  The record stays as it is."""
    trust_clock: bool = False
    """True: you vouch for the Pi's clock, where no time server and no clock chip with a battery does."""


@dataclass(frozen=True, slots=True)
class Feed:
    """What the fish get on a day without a feeding entry."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    grams_per_day: NotNegative = 0.0
    protein_percent: Annotated[float, Ge(0), Le(100)] = 42.0


@dataclass(frozen=True, slots=True)
class OnHours:
    """One stretch of lamp time; `off` before `on` runs past midnight."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    on: ClockTime
    off: ClockTime


@dataclass(frozen=True, slots=True)
class Lamp:
    """The lamp over the plants."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    spectrum: str = "white_led"
    umol_per_lux: Positive | None = None
    """Overrides `spectrum`; µmol m⁻² s⁻¹ per lx."""
    hours: tuple[OnHours, ...] = ()
    """Empty: learned from the light probe."""
    smallest_loss_percent: Annotated[float, Ge(1), Le(50)] = 5.0
    """The smallest loss of lamp output worth acting on."""


@dataclass(frozen=True, slots=True)
class Testing:
    """How often a person tests, and with which kit."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    shortest_days: Positive = 2.0
    longest_days: Positive = 10.0
    kit: str = ""
    """Empty: the first kit."""
    strips: NotNegative | None = None
    """Strips in the pack open at the start; a half counts 0.5.  Later packs are entered.  None: not counted."""
    opened_on: dt.date | None = None
    shelf_days: Positive = 180.0
    """Days that an opened pack stays good; the maker's leaflet overrides this (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Where alarms begin.  The keeper sets them; the defaults are common practice, no source, unless said."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    nitrate: Positive = 40.0
    """mg/L as NO3."""
    nitrite: Positive = 0.5
    """mg/L as NO2."""
    ammonia: Positive = 0.02
    """Un-ionised, mg/L as NH3; the total is held against US EPA's chronic criterion of 2013 besides."""
    chlorine: Positive = 0.019
    """mg/L; US EPA's acute criterion of 1984, 19 µg/L, which no hobby kit can show: any colour at all is too much."""
    temperature: Band = field(default_factory=Band)
    """°C, or in quotes "70 °F".  A side left out is 18 or 30 (common practice, no source)."""
    ph: Band = field(default_factory=Band)
    """A side left out is 6.0 or 8.5 (common practice, no source)."""
    level_low: NotNegative | None = None
    """cm, or % where the probe gives a share.  None: only a fall that no entry explains is told."""
    conductivity_high: Positive | None = None
    """µS/cm.  None: only a rise that no entry explains is told."""
    kh_low: NotNegative = 2.0
    """°dH."""
    gh_high: Positive = 20.0
    """°dH."""


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    litres: Positive
    """Water, without gravel and wood; another unit in quotes, as wherever a quantity stands: "36 US gal"."""
    name: str = ""
    started: dt.date | None = None
    source_water: dict[Substance, NotNegative] = field(default_factory=dict)
    """mg/L, °dH, pH, or in quotes with the unit: "71 ppm"; what is not given is not known."""
    feed: Feed = field(default_factory=Feed)
    lamp: Lamp | None = None
    testing: Testing = field(default_factory=Testing)
    limits: Limits = field(default_factory=Limits)

    @property
    def title(self) -> str:
        """The name that people read."""
        return self.name or self.id


@dataclass(frozen=True, slots=True)
class Kit:
    """A test kit: what it measures and how finely."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    method: Literal["strip", "drops", "lab"] = "strip"
    pads: dict[Substance, tuple[NotNegative, ...]] = field(default_factory=dict)
    """The values printed beside the pads, rising; needed for strips."""
    units: dict[Substance, str] = field(default_factory=dict)
    """What its values are in, where that is not the usual: nitrate = "mg/L as N" for a box that says NO3-N."""
    error_percent: Annotated[float, Gt(0), Le(200)] | None = None
    """Reading error, one standard deviation.  None: 22 for strips, 10 for drops, 3 for a laboratory."""

    def unit(self, substance: str) -> str:
        """The kit's own unit for a substance; empty where it is the usual one."""
        return next((unit for s, unit in self.units.items() if s == substance), "")


@dataclass(frozen=True, slots=True)
class Probe:
    """One probe.  Keys beyond these are the driver's own and land in `options`."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    tank: str
    quantity: Quantity
    driver: str = "none"
    unit: str = ""
    """Empty: the quantity's own unit."""
    place: str = ""
    """Where it is, for people, such as 'left end'; of several probes of one quantity it says which."""
    dose: bool = False
    """For light: True carries the tank's dose.  Where no probe says so it is the tank's first light probe."""
    every_seconds: Annotated[float, Ge(1), Le(3600)] = 60.0
    silent_seconds: Positive | None = None
    """Silence after which `probe_silent` is raised.  None: four and a half times `every_seconds`, at least 300 s."""
    range: Band = field(default_factory=Band)
    """What the probe can measure at all.  None: the quantity's own range."""
    calibrate_days: Positive | None = None
    """Age at which a calibration is due.  None: 30 for pH, 7 for nitrate, never for others (common practice)."""
    options: Any = None
    """An instance of the driver's own Options class."""

    @property
    def title(self) -> str:
        """What tells it from another probe of its quantity: its id, and where it is."""
        return f"{self.id}, {self.place}" if self.place else self.id


@dataclass(frozen=True, slots=True)
class Alarms:
    """What differs from the alarm table."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    out_of_service: tuple[str, ...] = ()
    """Alarm names (`ph_low`) or ids (`foyer.ph_low`) that are watched but never told."""
    priority: dict[str, Priority] = field(default_factory=dict)
    """Alarm name to priority, where the table's default does not suit."""
    on_delay_s: dict[str, NotNegative] = field(default_factory=dict)
    """Alarm name to the seconds that it must stand before it is raised."""
    off_delay_s: dict[str, NotNegative] = field(default_factory=dict)
    """Alarm name to the seconds that it must be gone before it returns."""


@dataclass(frozen=True, slots=True)
class Push:
    """Push over plain HTTP: a message is posted to a topic that phones subscribe to."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    server: str = ""
    """Base address such as https://push.example.org; empty: no push."""
    topic: str = ""
    """Whoever knows the topic can read it; treat it as a secret."""
    topic_file: str = ""
    token: str = field(default="", repr=False)
    """Access token, sent as a bearer; or user and password joined by a colon."""
    token_file: str = ""
    ca_file: str = ""
    """A certificate authority of your own, PEM."""
    deadline_s: Annotated[float, Gt(0), Le(120)] = 30.0
    """Total time for one send, whatever the server does."""
    per_hour: Annotated[int, Ge(1), Le(600)] = 12
    """Messages an hour to one person; more wait and go out together."""
    reserve_for_high: Count = 6
    """Of these, kept free for high alarms."""

    @property
    def set_up(self) -> bool:
        """Whether it is wanted."""
        return bool(self.server)


@dataclass(frozen=True, slots=True)
class Webhook:
    """A JSON document posted to an address of yours."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    url: str = field(default="", repr=False)
    url_file: str = ""
    token: str = field(default="", repr=False)
    """Sent as a bearer, if given."""
    token_file: str = ""
    template: str = ""
    """JSON text with $title $body $priority $key $alarm $link in it, as string contents; empty: all of them as keys."""
    ca_file: str = ""
    deadline_s: Annotated[float, Gt(0), Le(120)] = 30.0

    @property
    def set_up(self) -> bool:
        """Whether it is wanted."""
        return bool(self.url or self.url_file)


@dataclass(frozen=True, slots=True)
class Services:
    """Any of the many phone services, through a notification library (extra `services`) in a child process."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    urls_secret: str = field(default="", repr=False)
    """The library's addresses, separated by spaces; each holds its service's credentials."""
    urls_secret_file: str = ""
    deadline_s: Annotated[float, Gt(0), Le(300)] = 60.0

    @property
    def set_up(self) -> bool:
        """Whether it is wanted."""
        return bool(self.urls_secret or self.urls_secret_file)


@dataclass(frozen=True, slots=True)
class Email:
    """Mail over SMTP: the weekly summary, and alarms where push fails or is not wanted."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    host: str = ""
    """Empty: no e-mail."""
    port: Annotated[int, Ge(1), Le(65535)] | None = None
    """None: 587 for starttls, 465 for tls, 25 for none."""
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str = ""
    password: str = field(default="", repr=False)
    password_file: str = ""
    sender: str = ""
    """Empty: `user`."""
    to: tuple[str, ...] = ()
    """Who gets the weekly summary, and alarms where a contact names no address of their own."""
    ca_file: str = ""
    deadline_s: Annotated[float, Gt(0), Le(300)] = 60.0
    weekly_day: Annotated[int, Ge(1), Le(7)] = 1
    """1 Monday to 7 Sunday."""
    weekly_at: ClockTime = "07:30"

    @property
    def set_up(self) -> bool:
        """Whether it is wanted."""
        return bool(self.host)


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """An address outside the house that is pinged while all is well, so that silence is noticed there."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    url: str = field(default="", repr=False)
    url_file: str = ""
    fail_url: str = field(default="", repr=False)
    """Pinged instead, with the reason, where the service knows such an address."""
    every_seconds: Annotated[float, Ge(5), Le(86400)] = 300.0
    method: Literal["GET", "POST"] = "POST"
    deadline_s: Annotated[float, Gt(0), Le(120)] = 20.0
    accept_none: bool = False
    """True: the keeper accepts that nothing outside watches; `check` stops saying so."""


ChannelName = Literal["push", "webhook", "services", "email"]


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is told.  Roles do: 'duty librarian' tells as much as a name."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    id: Name
    name: str = ""
    channels: tuple[ChannelName, ...] = ()
    """In order of trying; empty: every configured channel, push first."""
    topic: str = ""
    """Their own push topic; empty: the push section's."""
    email: str = ""
    """Their own address; empty: the e-mail section's."""
    quiet_from: ClockTime = ""
    quiet_until: ClockTime = ""
    """Hours in which low and medium wait; empty: the contacts section's."""


@dataclass(frozen=True, slots=True)
class Sitter:
    """Who looks after the tanks while the keeper is away, told first and in simpler words."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    person: Name
    """Id of a person."""
    first_day: dt.date
    last_day: dt.date
    call: str = ""
    """Whom to call, as the message says it."""


@dataclass(frozen=True, slots=True)
class Contacts:
    """Who is told, and when."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    person: tuple[Person, ...] = ()
    """The first is told first; an unacknowledged high alarm goes to the second as well.  Empty: one keeper."""
    quiet_from: ClockTime = "22:00"
    quiet_until: ClockTime = "07:00"
    """Local hours in which low and medium wait; equal times: never quiet."""
    escalate_minutes: Annotated[float, Gt(0), Le(1440)] = 30.0
    """An unacknowledged high alarm goes to the second contact after this."""
    sitter: tuple[Sitter, ...] = ()
    page_url: str = ""
    """Where phones reach the page, such as http://rushlight.local:8080; empty: messages carry no link."""


@dataclass(frozen=True, slots=True)
class Storage:
    """Where the journal lives and how long things are kept."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    folder: str = ""
    """Empty: systemd's state directory, else ~/.local/share/rushlight."""
    flush_seconds: Annotated[float, Ge(1), Le(600)] = 300.0
    """Plain readings go to the disk this often, and a power cut costs at most so much of them; each write wears the
    card by some 25 kB whatever is in it.  What a person enters and every alarm goes at once."""
    raw_days: Annotated[int, Ge(7)] = 90
    """Days for which every reading is kept; after that, ten-minute means."""
    mean_days: Annotated[int, Ge(90)] = 3650
    """Days for which the ten-minute means are kept.  Entries and alarms are kept for good."""
    backup_folder: str = ""
    """Empty: `backups` beside the journal; better another disk."""
    backup_at: ClockTime = "03:40"
    """Every night to another disk; to the journal's own card a large journal goes but once a week, to spare it."""
    backups_daily: Annotated[int, Ge(1)] = 7
    backups_weekly: Count = 4
    low_percent: Annotated[float, Ge(0), Le(50)] = 10.0
    """Free space on the journal's disk below which `storage_low` is raised."""


@dataclass(frozen=True, slots=True)
class Pictures:
    """The picture diary: small pictures of the plants, made on the phone without place or device in them."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    keep: bool = False
    """True: the pictures are kept beside the journal; false: the phone measures the share that is leaf and sends that
    number alone."""
    megabytes: Annotated[int, Ge(1), Le(10_000)] = 200
    """Room for all of them; a picture takes up to 90 kB.  Beyond it the years past are thinned out."""
    days: Annotated[int, Ge(30)] = 3700
    """Older pictures are deleted."""
    in_summary: bool = True
    """The weekly summary carries then and now of each tank, where pictures are kept."""


@dataclass(frozen=True, slots=True)
class Page:
    """The phone page."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    enabled: bool = True
    listen: str = "127.0.0.1"
    """Address to listen on; loopback until you say otherwise, 0.0.0.0 for the home network, :: with version 6."""
    port: Annotated[int, Ge(1), Le(65535)] = 8080
    hosts: tuple[str, ...] = ()
    """Names by which phones reach the Pi, besides its own host name and addresses."""
    certificate: str = ""
    """Own certificate and key (PEM files) for TLS; empty: plain, or TLS by a proxy in front."""
    certificate_key: str = ""
    """Empty: the key is in the certificate's file.  Both are read again once they change."""
    proxy: str = ""
    """Address of the one proxy in front that is believed about who asks and whether by TLS; empty: none is."""


@dataclass(frozen=True, slots=True)
class Mqtt:
    """The broker over which the hub is fed.  Probes over MQTT name their broker themselves."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    host: str = ""
    """Empty: no broker, no hub."""
    port: Annotated[int, Ge(1), Le(65535)] | None = None
    """None: 1883, or 8883 with TLS."""
    user: str = ""
    password: str = field(default="", repr=False)
    password_file: str = ""
    tls: bool = False
    ca_file: str = ""
    """A certificate authority of your own, PEM; empty: the system's."""
    protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version; with 5 the broker keeps commands for five minutes while the daemon restarts."""
    keepalive_seconds: Annotated[int, Ge(5), Le(600)] = 30


HubCommand = Literal["acknowledge", "test", "record", "correct", "calibrate", "shelve"]


@dataclass(frozen=True, slots=True)
class Hub:
    """What a home-automation hub gets to see over the broker, and may do."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    enabled: bool = True
    """Takes effect once `mqtt.host` is given."""
    discovery_prefix: Name = "homeassistant"
    """Where the hub looks for descriptions; this is the common convention's default."""
    birth_topic: str = ""
    """Where the hub says `online` after its own start; empty: `<discovery_prefix>/status`."""
    topic: Name = "rushlight"
    """Values, commands and answers go below this."""
    publish_seconds: Annotated[float, Ge(10), Le(3600)] = 60.0
    """A value that is not renewed for three of these (at least 180 s) expires in the hub."""
    commands: tuple[HubCommand, ...] = ()
    """What the hub may do; empty: look.  `acknowledge` alarms, enter a `test`, `record` what else is done or seen,
    `correct` entries, `calibrate` probes, `shelve` alarms for up to 14 days.  Whoever may publish at the broker below
    `hub.topic` may do the same: see that it asks for passwords, and `rushlight check --access-list`."""


Measurement = Literal["reading", "test", "estimate", "alarm", "state", "tank", "standing"]


@dataclass(frozen=True, slots=True)
class Timeseries:
    """The time-series store: readings, tests, estimates and alarms over the InfluxDB 2.x write API."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    url: str = ""
    """Base address such as https://store.example.org:8086; empty: no store."""
    org: str = ""
    bucket: str = ""
    token: str = field(default="", repr=False)
    token_file: str = ""
    ca_file: str = ""
    """A certificate authority of your own, PEM; empty: the system's."""
    every_seconds: Annotated[float, Ge(1), Le(3600)] = 30.0
    """How often new rows are sent."""
    deadline_s: Annotated[float, Gt(0), Le(120)] = 10.0
    """Time for one send."""
    send: tuple[Measurement, ...] = ("reading", "test", "estimate", "alarm", "state", "tank", "standing")
    """What leaves the house, by measurement; deploy/fleet.md lists what each holds."""

    def __post_init__(self) -> None:
        if self.url and not (self.org and self.bucket):
            raise ValueError("a store needs org and bucket beside its url")


CHANNELS = ("push", "webhook", "services", "email")
"""The sections by which people are told, in the order in which they are tried; each has a `set_up`, and a module of its
name among the outlets."""


@dataclass(frozen=True, slots=True)
class Config:
    """Everything, as checked by `config.load`."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _CHECKED
    site: Site
    tank: Annotated[tuple[Tank, ...], MinLen(1)]
    kit: Annotated[tuple[Kit, ...], MinLen(1)]
    probe: tuple[Probe, ...] = ()
    alarms: Alarms = field(default_factory=Alarms)
    push: Push = field(default_factory=Push)
    webhook: Webhook = field(default_factory=Webhook)
    services: Services = field(default_factory=Services)
    email: Email = field(default_factory=Email)
    heartbeat: Heartbeat = field(default_factory=Heartbeat)
    contacts: Contacts = field(default_factory=Contacts)
    storage: Storage = field(default_factory=Storage)
    page: Page = field(default_factory=Page)
    pictures: Pictures = field(default_factory=Pictures)
    mqtt: Mqtt = field(default_factory=Mqtt)
    hub: Hub = field(default_factory=Hub)
    timeseries: Timeseries = field(default_factory=Timeseries)
