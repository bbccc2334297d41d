"""What a signal-to-noise ratio refers to: conventions of specification sheets, and what is refused or not known."""

from __future__ import annotations

import math

import pytest

from audiomeas.errors import RequestError
from audiomeas.measurement.noise_references import Gain, parse_references, refer

AT = {"full_scale": 2.0, "in_volts": True, "gain": None, "load_ohm": 8.0, "load": None}


def referred(text, **at):
    references = parse_references({"reference": text, **{k: at.pop(k) for k in ("rated_power", "vu_level") if k in at}})
    return [refer(one, **{**AT, **at}) for one in references]


def test_phono_inputs_differ_as_specification_sheets_do():
    # Closed form: 5 mV is 20 lg 2 = 6.02 dB above 2.5 mV, 10 mV 12.04 dB: '75 dB, 81 dB, 87 dB' is one noise.
    found = referred("phono", gain=Gain(db=36.0, uncertainty_db=0.1, origin="given"))
    assert [one.reference.words for one in found] == ["2.5 mV in", "5 mV in", "10 mV in"]
    noise_v = found[0].v_rms * 10 ** (-75 / 20)
    ratios = [20 * math.log10(one.v_rms / noise_v) for one in found]
    assert [round(ratio) for ratio in ratios] == [75, 81, 87]
    # 2.5 mV through 36 dB: 0.0025 · 10^(36/20) = 0.157739 V.
    assert found[0].v_rms == pytest.approx(0.157739, rel=1e-5)
    assert {part.half_width for one in found for part in one.parts} == {0.1}


@pytest.mark.parametrize(
    ("text", "v_rms", "options"),
    [
        ("1 W", math.sqrt(8.0), {}),  # P = U²/R
        ("2 V", 2.0, {}),
        ("2 V out", 2.0, {}),
        ("-10 dBV", 10 ** (-10 / 20), {}),
        ("0 dBFS", 2.0, {}),
        ("-20 dBFS", 0.2, {}),
        ("rated power", math.sqrt(60 * 8.0), {"rated_power": "60 W"}),
        ("Rated", math.sqrt(60 * 8.0), {"rated_power": "60 W"}),
        ("0 VU", math.sqrt(0.6) * 10 ** (4 / 20), {"vu_level": "4 dBu"}),  # +4 dBu is 1.228 V (IEC 60027-3)
    ],
)
def test_levels_and_names(text, v_rms, options):
    (found,) = referred(text, **options)
    assert found.v_rms == pytest.approx(v_rms, rel=1e-12)
    assert found.missing == ""


def test_several_are_kept_in_order_and_each_once():
    words = [
        one.reference.words for one in referred("5 mV in; phono; 1 W", gain=Gain(db=36, uncertainty_db=0, origin=""))
    ]
    assert words == ["5 mV in", "2.5 mV in", "10 mV in", "1 W"]


@pytest.mark.parametrize(
    ("text", "words", "end"),
    [
        ("5 mV", "5 mV out", "level at the unit's output"),  # nothing else tells it from the usual phono reference
        ("5 mV out", "5 mV out", "level at the unit's output"),
        ("-10 dBV", "-10 dBV out", "level at the unit's output"),
        ("5 mV in", "5 mV in", "level at the unit's input"),
        ("0.5 V in / 1 W out", "0.5 V in / 1 W out", "level at the unit's input and output"),
        ("1 W", "1 W", "level at the unit's output"),
    ],
)
def test_the_words_say_at_which_end_volts_stand(text, words, end):
    (one,) = parse_references({"reference": text})
    assert (one.words, one.end) == (words, end)


@pytest.mark.parametrize("db", [15.0, 15.5])
def test_half_a_volt_gives_one_watt_only_at_its_own_gain(db):
    # √8 V over 0.5 V is 15.05 dB.
    (found,) = referred("CEA-490-A", gain=Gain(db=db, uncertainty_db=0.1, origin="given"))
    assert found.v_rms == pytest.approx(math.sqrt(8.0), rel=1e-12)


@pytest.mark.parametrize(
    ("text", "at", "says"),
    [
        ("0.5 V in / 1 W out", {"gain": Gain(db=27.0, uncertainty_db=0.1, origin="")}, "set the volume control"),
        ("0.5 V in / 1 W out", {}, "not known"),
        ("5 mV in", {}, "needs the gain"),
        ("1 W", {"load_ohm": None}, "load"),
        ("1 W", {"in_volts": False}, "without a calibration"),
        ("5 mV in", {"in_volts": False}, "without a calibration"),
    ],
)
def test_what_is_not_known_is_no_number_and_has_a_reason(text, at, says):
    (found,) = referred(text, **at)
    assert found.v_rms is None
    assert says in found.missing


def test_full_scale_needs_no_volts():
    (found,) = referred("0 dBFS", in_volts=False, full_scale=1.0)
    assert found.v_rms == 1.0


@pytest.mark.parametrize(
    "text",
    ["", ";", "loud", "5 mV inn", "1 W in", "5 in", "-3 V", "0 V", "5 mV in / out", "1 MW", "nan V", "1 W / 2 V"],
)
def test_nonsense_is_refused_in_one_line(text):
    with pytest.raises(RequestError) as caught:
        parse_references({"reference": text})
    assert "\n" not in str(caught.value) and "reference" in str(caught.value)


@pytest.mark.parametrize(("text", "option"), [("rated power", "rated_power"), ("0 VU", "vu_level")])
def test_names_say_what_they_need(text, option):
    with pytest.raises(RequestError, match=option):
        parse_references({"reference": text})


def test_no_reference_is_none():
    assert parse_references({"reference": None}) == ()
