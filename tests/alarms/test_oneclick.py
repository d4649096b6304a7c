"""A ticket opens its own alarm only."""

from hypothesis import given
from hypothesis import strategies as st

from rushlight.alarms import oneclick

KEY = b"k" * 32


@given(st.text(min_size=1), st.integers(0, 10**9))
def test_a_ticket_reads_back_and_fits_a_path(alarm_id, occurrence):
    text = oneclick.ticket(KEY, alarm_id.encode(errors="replace").decode(), occurrence)
    assert oneclick.read(KEY, text) == (alarm_id.encode(errors="replace").decode(), occurrence)
    assert set(text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.")


def test_another_key_or_a_changed_ticket_is_refused():
    text = oneclick.ticket(KEY, "foyer.ph_low", 3)
    assert oneclick.read(b"other", text) is None
    other = oneclick.ticket(KEY, "foyer.ph_high", 3)
    assert oneclick.read(KEY, other.split(".")[0] + "." + text.split(".")[1]) is None
    for i, c in enumerate(text[:-1]):  # the last character of unpadded base64 has spare bits
        changed = text[:i] + ("A" if c != "A" else "B") + text[i + 1 :]
        assert oneclick.read(KEY, changed) is None


@given(st.text())
def test_nonsense_is_refused(text):
    assert oneclick.read(KEY, text) is None
