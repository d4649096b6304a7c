"""The configuration of every part, written from the register and the settings.

Owns the files below `out/` of the fleet's folder; nothing there is edited by hand.  YAML is written as JSON, of which
YAML 1.2 is a superset, so no library is needed.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from panels import console, dashboards
from register import Fleet, FleetError, write

HERE = Path(__file__).parent
AGENT, RULES = "127.0.0.1:8429", "127.0.0.1:9090"
LIVE = "(state|tank|standing)_.+"
"""What the rule engine gets: the present moment, never history."""
STORE_FLAGS = [
    "-storageDataPath=/var/lib/victoria-metrics",
    "-httpListenAddr=127.0.0.1:8428",
    "-retentionPeriod=100y",  # a month, unless told otherwise
    "-dedup.minScrapeInterval=1ms",  # what a Pi sends twice is one point
]
RULES_FLAGS = [
    "--storage.tsdb.path=/var/lib/prometheus/metrics2",
    "--storage.tsdb.retention.time=30d",
    "--web.enable-remote-write-receiver",
]
ROUTER_FLAGS = [
    "--data.retention=400h",  # longer than the week after which it reminds, or it would forget that it told
    "--data.maintenance-interval=10s",  # what it told is on disk within ten seconds
]
ROUTERS = {
    "router": ("127.0.0.1:9093", "127.0.0.1:9193", "/var/lib/prometheus/alertmanager"),
    "router-twin": ("127.0.0.1:9095", "127.0.0.1:9195", "/var/lib/rushlight-fleet-router"),
}
"""Two routers: where each listens, where it tells its twin what it told, and its data.  What one has told the other
knows within a second, so that a kill in that moment neither loses a matter nor tells it twice."""
_READERS = {"auth.yml": "_victoria-metrics", "router.yml": "prometheus"}
"""Files with a secret, and the group whose program reads them."""
READ = "/api/v1/(query|query_range|series|labels|label/[^/]+/values|status/buildinfo)"


def render(fleet: Fleet, agent: str = AGENT, rules: str = RULES) -> list[Path]:
    """Write everything; returns the files.  `agent` and `rules` are where agent and rule engine listen.

    Raises FleetError.
    """
    shards = fleet.settings.get("shards", [])
    if not shards or not all(shards):
        raise FleetError("fleet.toml: shards: name at least one node")
    out, made = fleet.folder / "out", {}
    made["auth.yml"] = _auth(fleet, agent, rules)
    made["agent-relabel.yml"] = _named(fleet)
    made["agent-live.yml"] = [{"action": "keep", "source_labels": ["__name__"], "regex": LIVE}]
    for n in range(len(shards)):
        made[f"agent-shard-{n}.yml"] = _shard(n, len(shards))
    made["prometheus.yml"] = _engine(fleet, out, agent, rules)
    made["members.rules.yml"] = _members(fleet)
    made["router.yml"] = _router(fleet)
    files = []
    for name, content in made.items():
        write(out / name, json.dumps(content, indent=1) + "\n", 0o640 if name in _READERS else 0o644)
        files.append(out / name)
    texts = {
        "fleet.rules.yml": (HERE / "rules/fleet.rules.yml").read_text("utf-8"),
        "wall/wall.html": console(),
        "agent.env": _arguments(agent_flags(fleet, out, agent, rules)),
        "store.env": _arguments(STORE_FLAGS),
        "rules.env": _arguments(
            [
                f"--config.file={out}/prometheus.yml",
                f"--web.listen-address={rules}",
                f"--web.console.templates={out}/wall",
                *RULES_FLAGS,
            ]
        ),
        **{f"{name}.env": _arguments(router_flags(name, out)) for name in ROUTERS},
        **dashboards(len(shards)),
    }
    for name, text in texts.items():
        write(out / name, text)
        files.append(out / name)
    for name, group in _READERS.items():
        with contextlib.suppress(LookupError, PermissionError):  # a system without that package, or a trial as a user
            shutil.chown(out / name, group=group)
    return files


def _arguments(flags: list[str]) -> str:
    return f'ARGS="{" ".join(flags)}"\n'


def router_flags(name: str, out: Path, routers: Mapping[str, tuple[str, str, str]] = ROUTERS) -> list[str]:
    """The command line of one of the `routers`, which know each other."""
    listens, told_at, data = routers[name]
    twins = [twin[1] for other, twin in routers.items() if other != name]
    return [
        f"--config.file={out}/router.yml",
        f"--storage.path={data}",
        *ROUTER_FLAGS,
        f"--web.listen-address={listens}",
        f"--cluster.listen-address={told_at}",
        f"--cluster.advertise-address={told_at}",
        *[f"--cluster.peer={twin}" for twin in twins],
    ]


def agent_flags(fleet: Fleet, out: Path, agent: str = AGENT, rules: str = RULES) -> list[str]:
    """The agent's command line: every node of every shard, and the rule engine, each with a queue on disk."""
    flags = [
        f"-httpListenAddr={agent}",
        "-remoteWrite.tmpDataPath=/var/lib/rushlight-fleet/agent",
        f"-remoteWrite.relabelConfig={out}/agent-relabel.yml",
        "-remoteWrite.queues=1",  # what is under way when the agent is killed is in memory alone: keep it small
    ]
    for n, nodes in enumerate(fleet.settings["shards"]):
        for node in nodes:
            flags += [
                f"-remoteWrite.url={node}/api/v1/write",
                f"-remoteWrite.urlRelabelConfig={out}/agent-shard-{n}.yml",
            ]
    flags += [f"-remoteWrite.url=http://{rules}/api/v1/write", f"-remoteWrite.urlRelabelConfig={out}/agent-live.yml"]
    return flags


def _auth(fleet: Fleet, agent: str, rules: str) -> Any:
    """A token an installation, for writing as itself; the reading role apart, one name a source."""
    users: list[Any] = [
        {
            "bearer_token": m.token,
            "url_map": [
                {
                    "src_paths": ["/api/v2/write"],
                    "url_prefix": f"http://{agent}/?extra_label={fleet.label}={name}",
                }
            ],
        }
        for name, m in sorted(fleet.members.items())
    ]
    wall = {"src_paths": [READ, "/api/v1/(rules|alerts)", "/consoles/.*"], "url_prefix": f"http://{rules}/"}
    users.append({"username": "wall", "password": fleet.reader, "url_map": [wall]})
    for n, nodes in enumerate(fleet.settings["shards"]):
        history = {"src_paths": [READ, "/api/v1/export"], "url_prefix": [f"{node}/" for node in nodes]}
        users.append({"username": f"history-{n}", "password": fleet.reader, "url_map": [history]})
    return {"users": users}


def _named(fleet: Fleet) -> Any:
    """The member's name is what the token check says, whatever the line says; without one nothing is taken."""
    return [
        {"action": "labeldrop", "regex": "member"},
        {"source_labels": [fleet.label], "target_label": "member"},
        {"action": "labeldrop", "regex": "__from_.*|db"},
        {"action": "keep", "source_labels": ["member"], "regex": ".+"},
    ]


def _shard(n: int, of: int) -> Any:
    return [
        {"action": "hashmod", "source_labels": ["member"], "modulus": of, "target_label": "__shard"},
        {"action": "keep", "source_labels": ["__shard"], "regex": str(n)},
        {"action": "labeldrop", "regex": "__shard"},
    ]


def _engine(fleet: Fleet, out: Path, agent: str, rules: str) -> Any:
    nodes = [node.split("//", 1)[1] for shard in fleet.settings["shards"] for node in shard]
    watched = {"store": nodes, "agent": [agent], "router": fleet.settings["routers"], "rules": [rules]}
    return {
        "global": {"scrape_interval": "1m", "evaluation_interval": "1m"},
        "storage": {"tsdb": {"out_of_order_time_window": "1d"}},
        "rule_files": [f"{out}/members.rules.yml", f"{out}/fleet.rules.yml"],
        "alerting": {"alertmanagers": [{"static_configs": [{"targets": fleet.settings["routers"]}]}]},
        "scrape_configs": [
            {"job_name": job, "static_configs": [{"targets": targets}]} for job, targets in watched.items()
        ],
    }


def _members(fleet: Fleet) -> Any:
    """Who should be heard, and which version is wanted in each ring, as series."""
    rows: list[Any] = [
        {
            "record": "fleet:member",
            "expr": "vector(1)",
            "labels": {"member": name, "site": m.site, "route": m.route or "none", "ring": m.ring, "keeper": m.keeper},
        }
        for name, m in sorted(fleet.members.items())
    ]
    rows += [
        {"record": "fleet:wanted", "expr": "vector(1)", "labels": {"ring": ring, "version": version}}
        for ring, version in sorted(fleet.wanted.items())
    ]
    return {"groups": [{"name": "members", "rules": rows}]}


def _router(fleet: Fleet) -> Any:
    """One message a matter, no matter twice within a week; sites and the whole silence their parts."""
    desk = fleet.settings.get("desk", {})
    people: dict[str, Any] = {"name": "desk"}
    if desk.get("mail_to"):
        mail = {"to": desk["mail_to"], "from": desk["mail_from"], "smarthost": desk["mail_server"]}
        people["email_configs"] = [
            mail | {"send_resolved": False, "text": _TEXT, "html": "", "headers": {"Subject": _TITLE}}
        ]
    if desk.get("webhook"):
        people["webhook_configs"] = [{"url": desk["webhook"], "send_resolved": False}]
    watcher: dict[str, Any] = {"name": "watcher"}
    if desk.get("watcher"):
        watcher["webhook_configs"] = [{"url": desk["watcher"], "send_resolved": False}]
    return {
        "route": {
            "receiver": "desk",
            "group_by": ["..."],
            "group_wait": "2m",
            "group_interval": "5m",
            "repeat_interval": "168h",
            "routes": [
                {
                    "receiver": "watcher",
                    "matchers": ['alertname="AllIsWatched"'],
                    "group_wait": "0s",
                    "group_interval": "1m",
                    "repeat_interval": "5m",
                },
                {"receiver": "nobody", "matchers": ['concern="tank"', 'keeper="desk"']},
            ],
        },
        "inhibit_rules": [
            {
                "source_matchers": ['alertname="NothingArrives"'],
                "target_matchers": ['alertname=~"InstallationSilent|SiteSilent"'],
            },
            {
                "source_matchers": ['alertname="SiteSilent"'],
                "target_matchers": ['alertname="InstallationSilent"'],
                "equal": ["site"],
            },
        ],
        "receivers": [people, watcher, {"name": "nobody"}],
    }


_TITLE = "{{ (index .Alerts 0).Annotations.summary }}"
_TEXT = "{{ range .Alerts }}{{ .Annotations.summary }}\n\nFirst: {{ .Annotations.runbook }}\n{{ end }}"
