"""A process that writes a journal and says on standard output what it was promised, until it is killed.

Run as `python -m helpers.ledger FILE FIRST SEED`.  Lines: `opened`, `entry ID`, `message KEY`, `sent KEY`,
`readings LAST`, each written only after the journal said that it was on the disk.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

from helpers.journals import T0, alarm, message, opened, reading, strip


def say(*words: object) -> None:
    sys.stdout.write(" ".join(str(w) for w in words) + "\n")
    sys.stdout.flush()


def main(path: Path, first: int, seed: int) -> None:
    chance = random.Random(seed)
    journal = opened(path, T0 + first, boot_id=f"boot-{seed}", backups=path.parent / "backups")
    report = journal.report()
    say("opened", report.trouble or "well", *report.set_aside)
    for n in range(first, first + 1_000_000):
        at_s = T0 + n
        journal.append([reading(n, every_s=1.0)], urgent=False, at_s=at_s)
        if chance.random() < 0.3:
            key = f"m{n}"
            effects = [alarm(n, at_s=at_s), message(key, at_s=at_s)]
            done = journal.append([strip(f"e{n}", at_s)], effects, urgent=True, at_s=at_s)
            if done.durable and done.seqs[0] is not None:
                say("entry", f"e{n}")
                say("message", key)
        if chance.random() < 0.2:
            for row in journal.outbox.due(at_s):
                journal.outbox.sent(row.key, row.channel, at_s, receipt=f"r-{row.key}")
                if journal.commit(at_s, urgent=True):
                    say("sent", row.key)
        if chance.random() < 0.05 and journal.commit(at_s):
            say("readings", n)
        if chance.random() < 0.02:
            journal.snapshot(journal.last_seq, b"{}" * 5000, version="1", at_s=at_s)
        if chance.random() < 0.02:
            journal.checkpoint()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
