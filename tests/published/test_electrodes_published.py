"""Buffers, Nernst and Nikolsky–Eisenman against published values.

Buffers: JIS Z 8802:2011 table; technical buffers 7 and 10: "American buffer tables" of a transmitter manual (MI
611-211, Oct 2005, table 7); phthalate formulas of Hetzer, Durst, Robinson, Bates (1977, J. Res. NBS 81A) and Hamer,
Pinching, Acree (1946, NBS RP1690).  Nernst: CODATA 2018 exact constants.  Nikolsky–Eisenman: IUPAC, Pure Appl. Chem.
92 (2020) 641.
"""

import math

import pytest

from rushlight.science.chemistry.buffers import buffer_ph, true_ph
from rushlight.science.measuring import electrode
from rushlight.science.measuring.electrode import Standard, calibrate, nernst_slope

JIS = {
    "oxalate": (1.67, 1.67, 1.67, 1.67, 1.68, 1.68, 1.69, 1.69, 1.7),
    "phthalate": (4.01, 4.01, 4.0, 4.0, 4.0, 4.01, 4.01, 4.02, 4.03),
    "phosphate": (6.98, 6.95, 6.92, 6.9, 6.88, 6.86, 6.85, 6.84, 6.84),
    "borate": (9.46, 9.39, 9.33, 9.27, 9.22, 9.18, 9.14, 9.1, 9.07),
    "technical 7": (7.12, 7.09, 7.06, 7.04, 7.02, 7.0, 6.99, 6.99, 6.98),
    "technical 10": (10.32, 10.25, 10.18, 10.12, 10.06, 10.01, 9.97, 9.93, 9.89),
}


@pytest.mark.parametrize("name", JIS)
def test_buffer_tables(name: str) -> None:
    for i, value in enumerate(JIS[name]):
        assert buffer_ph(name, 5.0 * i) == pytest.approx(value, abs=0.005)


@pytest.mark.parametrize("temp_c", [0, 10, 15, 20, 25, 30, 35, 40])
def test_phthalate_against_two_formulas(temp_c: int) -> None:
    t = temp_c + 273.15
    hetzer = 2073.44 / t - 13.3270 + 0.045199 * t - 3.4846e-5 * t * t
    assert buffer_ph("phthalate", temp_c) == pytest.approx(hetzer, abs=0.008)
    if 10 <= temp_c <= 30:
        assert buffer_ph("phthalate", temp_c) == pytest.approx(4.000 + 0.0000479 * (temp_c - 15) ** 2, abs=0.006)


def test_labels_go_through_their_own_system_only() -> None:
    assert true_ph([(6.86, 15.0), (4.01, 15.0), (9.18, 15.0)]) == pytest.approx([6.90, 4.00, 9.27])
    assert true_ph([(7.0, 15.0), (10.01, 15.0)]) == pytest.approx([7.04, 10.12])
    assert true_ph([(6.5, 15.0)]) == [6.5]
    with pytest.raises(ValueError, match="different buffer systems"):
        true_ph([(6.86, 25.0), (10.01, 25.0)])
    with pytest.raises(ValueError, match="0 to 40"):
        true_ph([(7.0, 55.0)])


NERNST = {
    0: 54.1988,
    5: 55.1909,
    10: 56.183,
    15: 57.1751,
    20: 58.1672,
    25: 59.1593,
    30: 60.1515,
    35: 61.1436,
    40: 62.1357,
}


@pytest.mark.parametrize("temp_c", NERNST)
def test_nernst_slope(temp_c: int) -> None:
    assert nernst_slope(temp_c) == pytest.approx(NERNST[temp_c], abs=1e-3)


@pytest.mark.parametrize(
    ("drift_mv", "percent"), [(0.5, 1.9651), (1, 3.9689), (2, 8.0953), (3, 12.385), (5, 21.483), (10, 47.582)]
)
def test_drift_of_an_electrode(drift_mv: float, percent: float) -> None:
    assert 100 * electrode.drift_error(drift_mv) == pytest.approx(percent, abs=0.01)


def test_nikolsky_eisenman_worked_example() -> None:
    # NO3 20 mg/L, Cl 50 mg/L, K 0.005, slope 59.16 mV, E0 0; activities as concentrations.
    nitrate, chloride = 20 / 62004, 50 / 35450
    potential = electrode.nikolsky_mv(0.0, 59.16, nitrate, [(chloride, 0.005)])
    assert potential == pytest.approx(205.9949, abs=1e-3)
    assert 10 ** (-potential / 59.16) * 62004 == pytest.approx(20.437, abs=1e-3)


@pytest.mark.parametrize(("k", "seen"), [(0.001, 0.17491), (0.005, 0.87453), (0.01, 1.7491), (0.02, 3.4981)])
def test_chloride_reads_as_nitrate(k: float, seen: float) -> None:
    assert electrode.apparent_nitrate(100.0, k) == pytest.approx(seen, abs=1e-3)


@pytest.mark.parametrize(
    ("slope_mv", "accepted", "warning"),
    [
        # Laboratory meter manuals: 95-105 % good, 85-95 maintenance, below 85 refuse (59.16 mV at 25 °C).
        (59.16, True, False),
        (56.2, True, False),  # 95 %: lower end of acceptable efficiency, North Temperate Lakes LTER protocol
        (53.5, True, True),
        (50.4, True, True),  # 85.2 %
        (50.1, False, False),  # 84.7 %
        (49.0, False, False),
        (63.0, False, False),
    ],
)
def test_slope_verdicts(slope_mv: float, accepted: bool, warning: bool) -> None:
    verdict = calibrate("ph", [Standard(7.0, 5.0, 25.0), Standard(4.01, 5.0 + 2.99 * slope_mv, 25.0)])
    assert (verdict.accepted, verdict.warning) == (accepted, warning)
    assert verdict.slope_mv == pytest.approx(slope_mv, abs=1e-6)


def test_offset_beyond_thirty_millivolts_is_a_warning() -> None:
    # Electrode leaflets: beyond ±30 mV at pH 7 means coating or contamination.
    for offset, warning in ((29.0, False), (31.0, True), (-31.0, True)):
        verdict = calibrate("ph", [Standard(7.0, offset, 25.0), Standard(4.01, offset + 2.99 * 59.159, 25.0)])
        assert (verdict.accepted, verdict.warning) == (True, warning)


def test_three_buffers_at_their_own_temperatures() -> None:
    made = [(4.01, 18.0), (7.0, 20.0), (10.01, 22.0)]
    standards = [
        Standard(label, 12.0 - 0.97 * nernst_slope(t) * (ph - 7.0), t)
        for (label, t), ph in zip(made, true_ph(made), strict=True)
    ]
    verdict = calibrate("ph", standards)
    assert (verdict.efficiency, verdict.zero_mv) == (pytest.approx(0.97), pytest.approx(12.0))


def test_a_usual_nitrate_slope_is_accepted_and_recovered() -> None:
    # Environmental sonde manuals: 53-58 mV per decade; Nakao et al. 2020 (doi 10.2116/analsci.20p323): 53 ± 1.
    for slope in (53.0, 58.0):
        verdict = calibrate("nitrate", [Standard(c, 240.0 - slope * math.log10(c), 25.0) for c in (5.0, 20.0, 80.0)])
        assert (verdict.accepted, verdict.warning) == (True, False)
        assert verdict.slope_mv == pytest.approx(slope)
        assert electrode.nitrate_of(
            240.0 - slope * math.log10(33.0), 25.0, verdict.zero_mv, verdict.efficiency
        ) == pytest.approx(33.0)


@pytest.mark.parametrize(
    ("kind", "standards", "words"),
    [
        ("ph", [], "at least one"),
        ("nitrate", [Standard(0.0, 200.0, 25.0)], "above 0"),
        ("nitrate", [Standard(20.0, 200.0, 25.0), Standard(22.0, 199.0, 25.0)], "too alike"),
    ],
)
def test_standards_that_give_no_answer(kind, standards, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        calibrate(kind, standards)


def test_swapped_standards_are_refused() -> None:
    verdict = calibrate("ph", [Standard(7.0, 177.0, 25.0), Standard(4.01, 0.0, 25.0)])
    assert not verdict.accepted
    assert "swapped" in verdict.words
