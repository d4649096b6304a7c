"""Break what the product promises, one promise at a time, and see the tests meant to catch it fail.

`python tests/bench/mutation_gate.py` tries every mutant and fails if one lives; `--sample` tries the few that take
seconds (CI), `--only WORD` those whose name has the word.  Each is made in a copy of the tree; the tree is not touched.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).parents[2]
DAEMON = "daemon/rushlight"


@dataclass(frozen=True, slots=True)
class Mutant:
    """What is broken: in `file`, `old` becomes `new`; `tests` are those that must fail."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]
    quick: bool = False


ENGINE, HUB = f"{DAEMON}/service/engine.py", f"{DAEMON}/outlets/hub"
NOTIFY, MACHINE = f"{DAEMON}/alarms/notify.py", f"{DAEMON}/alarms/state_machine.py"
POLLING, MQTT = f"{DAEMON}/intake/polling.py", "drivers/rushlight_drivers/mqtt.py"
ACCESS, GUARD = f"{DAEMON}/web/serving/access.py", f"{DAEMON}/web/serving/guard.py"
MARK, STORE = f"{DAEMON}/journal/recovery/mark.py", f"{DAEMON}/journal/store.py"

CHAOS = "tests/chaos/test_chaos.py::test_what_shows_only_when_faults_go_together"
ADVICE = "tests/core/test_harmless_advice.py"

MUTANTS = (
    Mutant(
        "poisons of one test come one by one",
        NOTIFY,
        "for group in together.values() if len(group) > 1}",
        "for group in together.values() if len(group) > 99}",
        (
            "tests/alarms/test_notify.py::test_only_what_a_test_said_of_one_tank_is_joined",
            f"{ADVICE}::test_what_one_test_found_is_one_message_and_both_alarms_are_kept",
        ),
    ),
    Mutant(
        "a poison that was acknowledged is forgotten for a week",
        f"{DAEMON}/alarms/pace.py",
        '"tested": (3 * DAY_S, 3 * DAY_S)',
        '"tested": (7 * DAY_S, 7 * DAY_S)',
        (f"{ADVICE}::test_a_poison_that_was_acknowledged_is_told_again_after_three_days",),
    ),
    Mutant(
        "a lamp that was replaced is still to blame",
        f"{DAEMON}/core/tank.py",
        "standing=standing - over",
        "standing=standing",
        ("tests/core/test_account.py::test_a_lamp_that_was_replaced_explains_nothing_any_more",),
    ),
    Mutant(
        "a test is ordered that no kit makes",
        f"{DAEMON}/core/tank.py",
        "if s not in self.seen.measures",
        "if s in ()",
        (f"{ADVICE}::test_what_no_kit_measures_is_not_just_ordered",),
    ),
    Mutant(
        "tap water goes in against nitrite though nobody looked for ammonia",
        f"{DAEMON}/tank/water/plan.py",
        'return ("ammonia",) if harder or "nitrite" in wrong else ()',
        "return ()",
        (f"{ADVICE}::test_hidden_ammonia_is_looked_for_before_tap_water_against_nitrite",),
    ),
    Mutant(
        "hardness that was tested alone is asked for again",
        f"{DAEMON}/tank/routine/reasons.py",
        "max(since_s[name], tested_s + after_s(share))",
        "since_s[name]",
        (f"{ADVICE}::test_what_was_asked_for_is_not_asked_for_again_once_it_was_tested",),
    ),
    Mutant(
        "a message of several matters orders a test that no kit makes",
        f"{DAEMON}/alarms/wording/letter.py",
        "    elsewhere = _elsewhere(*asked)\n",
        '    elsewhere = ""\n',
        ("tests/alarms/test_letter.py::test_a_message_about_several_matters_says_what_no_kit_here_measures",),
    ),
    Mutant(
        "more water is planned on a test from before the last change",
        f"{DAEMON}/core/tank.py",
        "return planner.as_done(made) if self._changed_since_test(state, at_s) else made",
        "return made",
        (f"{ADVICE}::test_once_water_was_changed_the_old_test_plans_no_more_of_it",),
    ),
    Mutant(
        "a difference of temperatures is turned into Fahrenheit with the offset",
        f"{DAEMON}/tank/probes/agreement.py",
        "units.say_change(high - low, unit, spec)",
        "units.say(high - low, unit, spec)",
        ("tests/core/test_local_units.py::test_texts_say_the_converted_figures_and_evidence_keeps_the_records",),
    ),
    Mutant(
        "gallons from a form are kept as litres",
        f"{DAEMON}/web/entering/writing.py",
        "sheet.body(form, asked.units)",
        "sheet.build(form)",
        ("tests/web/test_local_units.py::test_gallons_and_inches_are_kept_as_litres_and_centimetres",),
    ),
    Mutant(
        "a bare gallon is guessed where the site names none",
        f"{DAEMON}/localunits.py",
        '{"us": "US gal", "uk": "imp gal"}',
        '{"us": "US gal", "uk": "imp gal", "metric": "US gal"}',
        ("tests/test_localunits.py::test_a_gallon_is_never_guessed",),
        quick=True,
    ),
    Mutant(
        "an entry in memory is called kept",
        ENGINE,
        "if not self.journal.holds(event_id):",
        "if True:",
        ("tests/service/test_engine.py::test_alarms_go_on_without_a_disk",),
    ),
    Mutant(
        "an entry is lost and acknowledged",
        ENGINE,
        "        self._step(event, self.clock.mono_s())\n        return self._receipt(event.id, new=True)",
        "        return self._receipt(event.id, new=True)",
        ("tests/service/test_engine.py::test_an_entry_with_the_same_id_is_one_entry",),
    ),
    Mutant(
        "an id taken twice is two entries",
        ENGINE,
        "        if self.journal.has(event.id):\n            return self._receipt(event.id, new=False)",
        "        if False:\n            return self._receipt(event.id, new=False)",
        ("tests/service/test_engine.py::test_an_entry_with_the_same_id_is_one_entry",),
    ),
    Mutant(
        "the clock is trusted and nothing is restamped",
        ENGINE,
        "        self.journal.restamp(self._boot_id, self.time.offset_s, self.now_s())\n",
        "",
        ("tests/service/test_engine.py::test_readings_before_the_clock_was_right_are_moved_to_where_they_belong",),
    ),
    Mutant(
        "urgent commits do not wait for the disk",
        f"{DAEMON}/journal/database.py",
        'level = "FULL" if durable else "NORMAL"',
        'level = "NORMAL"',
        ("tests/journal/test_store.py::test_an_urgent_commit_waits_for_the_disk",),
        quick=True,
    ),
    Mutant(
        "two writers at once",
        f"{DAEMON}/journal/recovery/files.py",
        "fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)",
        "fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)",
        ("tests/journal/test_store.py::test_a_second_writer_is_kept_out",),
        quick=True,
    ),
    Mutant(
        "a shortfall is not told",
        MARK,
        "        if lost > 0:",
        "        if lost > 10**9:",
        ("tests/service/test_receipts.py::test_the_mark_outlives_a_torn_write",),
        quick=True,
    ),
    Mutant(
        "entries that a damaged file lost are not put back",
        f"{DAEMON}/journal/recovery/entry_list.py",
        "        return sorted((EventRow(",
        "        return [] and sorted((EventRow(",
        ("tests/journal/test_rescue.py::test_with_the_whole_file_lost_the_mirror_still_knows_who_is_to_be_told",),
        quick=True,
    ),
    Mutant(
        "a torn mark is believed",
        MARK,
        "        if int(text[:8], 16) != zlib.crc32(text[9:]):\n            return None\n",
        "",
        ("tests/service/test_receipts.py::test_the_mark_outlives_a_torn_write",),
    ),
    Mutant(
        "changes of trouble are never thinned",
        POLLING,
        "            return self._changes[s.channel].spend(s.mono_s)",
        "            return True",
        ("tests/intake/test_polling.py::test_no_probe_costs_more_rows_than_stated_whatever_it_sends",),
    ),
    Mutant(
        "a backlog is thinned away",
        POLLING,
        "return not changed and s.channel in self._backlog and self._backlog[s.channel].spend(s.mono_s)",
        "return False",
        ("tests/intake/test_polling.py::test_a_backlog_is_kept_whole_and_within_its_bound",),
        quick=True,
    ),
    Mutant(
        "messages at QoS 1 are confirmed on arrival",
        MQTT,
        '{"manual_ack": self.confirms}',
        '{"manual_ack": False}',
        ("tests/drivers/test_mqtt.py::test_what_is_not_confirmed_comes_again_and_what_is_kept_does_not",),
    ),
    Mutant(
        "what was kept is handed over again",
        MQTT,
        "        if message.dup and self._kept.get(number) == name:",
        "        if False:",
        ("tests/drivers/test_mqtt.py::test_what_is_not_confirmed_comes_again_and_what_is_kept_does_not",),
    ),
    Mutant(
        "the heartbeat always pings",
        f"{DAEMON}/outlets/heartbeat.py",
        "        url = self._fail_url if reason else self._url",
        "        url, reason = self._url, ''",
        ("tests/outlets/test_heartbeat.py::test_silence_without_an_address_for_failures",),
    ),
    Mutant(
        "the hub may do anything",
        f"{HUB}/commands.py",
        "    return config.hub.enabled and command in config.hub.commands",
        "    return True",
        ("tests/outlets/test_hub_commands.py::test_the_hub_may_do_only_what_was_chosen",),
    ),
    Mutant(
        "the hub acts in another's name",
        f"{HUB}/commands.py",
        '        record["by"] = BY',
        '        record.setdefault("by", BY)',
        ("tests/outlets/test_hub_commands.py::test_who_did_it_is_the_hub_whatever_name_it_gives",),
        quick=True,
    ),
    Mutant(
        "the hub shelves for ever",
        f"{HUB}/commands.py",
        "event.hours > MOST_SHELVED_H",
        "event.hours > 10**9",
        ("tests/outlets/test_hub_commands.py::test_its_bounds_are_the_page_s",),
    ),
    Mutant(
        "an alarm of what nobody measures is off",
        f"{HUB}/entities.py",
        "    return bool(about) and not measured & _ABOUT[about]",
        "    return False",
        ("tests/outlets/test_hub_entities.py::test_an_alarm_of_what_nobody_measures_is_unknown_and_not_off",),
    ),
    Mutant(
        "quiet hours never end",
        f"{DAEMON}/alarms/quiet_hours.py",
        "        if from_s <= at_s < until_s:",
        "        if from_s <= at_s <= until_s:",
        ("tests/alarms/test_quiet_hours.py",),
    ),
    Mutant(
        "a high alarm does not climb to the second contact",
        NOTIFY,
        "        telling.escalate_s = at_s + wait_s if escalates else None",
        "        telling.escalate_s = None",
        ("tests/alarms/test_notify.py::test_a_high_alarm_repeats_and_goes_to_the_second_contact",),
    ),
    Mutant(
        "the budget keeps no reserve for high",
        NOTIFY,
        "max(1, config.push.per_hour - config.push.reserve_for_high)",
        "config.push.per_hour",
        ("tests/alarms/test_notify.py::test_the_budget_holds_medium_and_keeps_a_reserve_for_high",),
    ),
    Mutant(
        "chatter is told for ever",
        MACHINE,
        "record.unstable = record.unstable or len(record.crossings) > CHATTER_CROSSINGS",
        "record.unstable = False",
        ("tests/alarms/test_state_machine.py::test_chattering_is_told_once_and_held",),
    ),
    Mutant(
        "wrong tries are not counted",
        ACCESS,
        "_TRIES, _TRIES_ALL = 6, 60",
        "_TRIES, _TRIES_ALL = 6000, 6000",
        ("tests/web/test_attacks.py::test_brute_force_is_slowed_and_sessions_live_on",),
    ),
    Mutant(
        "forms from other sites are taken",
        GUARD,
        '        if request.method == "POST" and not _same_site(request):',
        "        if False:",
        ("tests/web/test_attacks.py::test_forms_from_elsewhere_are_refused",),
    ),
    Mutant(
        "any name is ours",
        GUARD,
        "        if not self.knows(request.host):",
        "        if False:",
        ("tests/web/test_attacks.py::test_a_foreign_host_is_misdirected",),
    ),
    Mutant(
        "any form token will do",
        ACCESS,
        "        return bool(cookie_value) and hmac.compare_digest(self.token(cookie_value).encode(), token.encode())",
        "        return True",
        ("tests/web/test_attacks.py::test_a_write_without_its_token_is_refused",),
    ),
    Mutant(
        "an undone test stays in the store",
        f"{DAEMON}/outlets/timeseries/points.py",
        "            yield self._marked(before, undone=1.0)",
        "            pass",
        ("tests/outlets/test_timeseries_store.py::test_the_store_learns_of_an_undone_test",),
    ),
    Mutant(
        "a message sent later counts as sent",
        f"{DAEMON}/outlets/delivery.py",
        "            case Later(why, after_s):",
        "            case Later(why, after_s) if False:",
        ("tests/outlets/test_delivery.py::test_the_fault_map",),
    ),
    Mutant(
        "a world of faults: the heartbeat always pings",
        f"{DAEMON}/outlets/heartbeat.py",
        "        url = self._fail_url if reason else self._url",
        "        url, reason = self._url, ''",
        (CHAOS,),
    ),
    Mutant(
        "a world of faults: a message that was put off is booked as sent",
        f"{DAEMON}/outlets/delivery.py",
        "self._outbox.later(row.key, row.channel, now_s, why, after_s)",
        "self._outbox.sent(row.key, row.channel, now_s)",
        (CHAOS,),
    ),
    Mutant(
        "a world of faults: the clock is trusted and nothing is restamped",
        ENGINE,
        "        self.journal.restamp(self._boot_id, self.time.offset_s, self.now_s())\n",
        "",
        (CHAOS,),
    ),
    Mutant(
        "a world of faults: urgent commits do not wait for the disk",
        f"{DAEMON}/journal/database.py",
        'level = "FULL" if durable else "NORMAL"',
        'level = "NORMAL"',
        (CHAOS,),
    ),
    Mutant(
        "a message of several things counts for each of them",
        NOTIFY,
        "        del state.sent_s[person.id][-(len(due) - 1) :]  # several things, one message\n",
        "",
        ("tests/alarms/test_notify.py::test_a_message_of_several_things_is_one_of_the_hour_s",),
    ),
    Mutant(
        "no channel stands in for one that puts off",
        f"{DAEMON}/outlets/delivery.py",
        'waits = row.priority != "high" and 0 <= age_s < STAND_IN_AFTER_S - (after_s or 0.0)',
        "waits = True",
        ("tests/outlets/test_delivery.py::test_a_second_channel_stands_in_at_once_for_high",),
    ),
    Mutant(
        "another channel stands in at once for what can wait",
        f"{DAEMON}/outlets/delivery.py",
        "STAND_IN_AFTER_S = 1800.0",
        "STAND_IN_AFTER_S = 0.0",
        ("tests/outlets/test_delivery.py::test_a_second_channel_waits_half_an_hour_for_medium",),
    ),
    Mutant(
        "a receiver that asks for hours is waited for",
        f"{DAEMON}/outlets/delivery.py",
        "STAND_IN_AFTER_S - (after_s or 0.0)",
        "STAND_IN_AFTER_S",
        ("tests/outlets/test_delivery.py::test_nobody_waits_for_a_receiver_that_asks_for_longer_than_that",),
    ),
    Mutant(
        "an alarm chatters one change earlier",
        MACHINE,
        "len(record.crossings) > CHATTER_CROSSINGS",
        "len(record.crossings) >= CHATTER_CROSSINGS",
        ("tests/alarms/test_state_machine.py::test_four_changes_within_an_hour_are_no_chatter_and_five_are",),
        quick=True,
    ),
    Mutant(
        "an alarm chatters one change later",
        MACHINE,
        "CHATTER_CROSSINGS = 4",
        "CHATTER_CROSSINGS = 5",
        ("tests/alarms/test_state_machine.py::test_chattering_is_told_once_and_held",),
    ),
    Mutant(
        "a snapshot outlives a change of the code that made it",
        f"{DAEMON}/service/snapshots.py",
        "            whole.update(source)\n",
        "",
        ("tests/service/test_snapshots.py",),
    ),
    Mutant(
        "an event keeps the number of no boot",
        f"{DAEMON}/journal/rows.py",
        "moved = dataclasses.replace(self, seq=self.seq + numbers.seq, boot=numbers.boot_of(self.boot))",
        "moved = dataclasses.replace(self, seq=self.seq + numbers.seq)",
        ("tests/journal/test_store.py::test_rows_of_an_untrusted_clock_are_moved_together",),
    ),
    Mutant(
        "a second boot takes the first one's number",
        STORE,
        'boot=found[0] if found else _last_no(conn, "boot") + 1,',
        'boot=found[0] if found else _last_no(conn, "boot"),',
        ("tests/journal/test_store.py::test_rows_of_two_boots_are_moved_apart",),
    ),
    Mutant(
        "a boot that goes on is numbered anew",
        STORE,
        'boot=found[0] if found else _last_no(conn, "boot") + 1,',
        'boot=_last_no(conn, "boot") + 1,',
        ("tests/journal/test_store.py::test_rows_of_two_boots_are_moved_apart",),
    ),
    Mutant(
        "the list of entries does not wait for the disk",
        f"{DAEMON}/journal/recovery/entry_list.py",
        "                os.fdatasync(fd)\n",
        "",
        ("tests/journal/test_rescue.py::test_an_entry_is_in_the_list_on_the_disk_before_it_is_kept",),
    ),
    Mutant(
        "a snapshot of another form is taken",
        STORE,
        'sql = "SELECT seq, state FROM snapshot WHERE version = ? AND seq <= ? ORDER BY seq DESC"',
        'sql = "SELECT seq, state FROM snapshot WHERE ? IS NOT NULL AND seq <= ? ORDER BY seq DESC"',
        ("tests/journal/test_store.py::test_snapshots_are_a_cache",),
    ),
    Mutant(
        "two probes that move alike are taken for a touch",
        f"{DAEMON}/guide/touch.py",
        'return most if moved[most] >= CLEARLY * rest else ""',
        "return most",
        ("tests/guide/test_touch.py::test_only_what_moves_clearly_more_than_the_rest_counts",),
    ),
    Mutant(
        "the guide calls itself ready though nobody has the message",
        f"{DAEMON}/guide/conversation.py",
        '        faults[line.what] = (\n            f"{line.what}: handed over',
        '        _ = (\n            f"{line.what}: handed over',
        ("tests/guide/test_setup.py::test_from_nothing_to_a_confirmed_push_and_again",),
    ),
    Mutant(
        "a trial that nobody confirmed is nothing still to do",
        f"{DAEMON}/core/unfinished.py",
        "if way.confirmed_at_s is not None:",
        'if way.state == "delivered":',
        ("tests/web/test_still_to_do.py",),
    ),
    Mutant(
        "an entry is written down on the phone only after it could not be sent",
        f"{DAEMON}/web/static/page.js",
        "try { keep(entry); } catch { kept = false; }",
        "",
        ("tests/web/test_browser.py::test_a_page_that_is_left_while_it_sends_loses_and_doubles_nothing",),
    ),
    Mutant(
        "any answer counts as ours",
        f"{DAEMON}/web/static/page.js",
        "answer.ok && answer.redirected && /[?&](done|again)=/.test(new URL(answer.url).search)",
        "answer.ok",
        ("tests/web/test_browser.py::test_two_tabs_keep_apart_and_only_our_own_answer_counts",),
    ),
)


def tree(folder: Path) -> Path:
    """A copy of what the tests need."""
    copy = folder / "tree"
    for name in ("daemon", "drivers", "tests", "deploy"):
        shutil.copytree(TOP / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
    for name in ("pyproject.toml", "config.example.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(TOP / name, copy / name)
    return copy


def dies(mutant: Mutant, copy: Path) -> str:
    """'' when its tests fail as they should, else what happened instead."""
    file = copy / mutant.file
    before = file.read_text()
    if before.count(mutant.old) != 1:
        return f"its text stands {before.count(mutant.old)} times in {mutant.file}: the mutant is to be written anew"
    file.write_text(before.replace(mutant.old, mutant.new))
    path = f"{copy / 'daemon'}:{copy / 'drivers'}:{copy / 'tests'}"
    env = os.environ | {"PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *mutant.tests]
    try:
        done = subprocess.run(command, cwd=copy, env=env, capture_output=True, text=True, timeout=600, check=False)
    finally:
        file.write_text(before)
    if done.returncode == 0:
        return "lives"
    return "" if done.returncode == 1 else f"its tests could not be run: {done.stdout[-500:]}"


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sample", action="store_true")
    asked.add_argument("--only", default="")
    given = asked.parse_args()
    chosen = [m for m in MUTANTS if given.only in m.name and (m.quick or not given.sample)]
    alive = []
    with tempfile.TemporaryDirectory() as folder:
        copy = tree(Path(folder))
        for mutant in chosen:
            began_s = time.monotonic()
            what = dies(mutant, copy)
            print(
                f"{'ALIVE' if what else 'dead':5} {time.monotonic() - began_s:5.1f} s  {mutant.name}  {what}",
                flush=True,
            )
            alive += [mutant.name] if what else []
    print(f"{len(chosen)} mutants, {len(alive)} alive")
    raise SystemExit(1 if alive or not chosen else 0)


if __name__ == "__main__":
    main()
