"""A maker's specification as fields: the steps that prove it, and what its words leave out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from plan_fakes import FakeSession, use_fakes

from audiomeas.errors import BenchError, RequestError, TomlProblem
from audiomeas.plan.file import Plan, read_plan, refuse_impossible
from audiomeas.plan.run import run_on
from audiomeas.plan.steps import Step
from audiomeas.plan.verdict import judge_step
from audiomeas.record.unit import parse_unit

HEAD = 'title = "Claims"\nkind = "power amplifier"\n'
CLAIM = """
[[specification]]
words = "60 W per channel, both driven, 8 Ω, 20 Hz–20 kHz, no more than 0.3 % THD"
of = "power"
power = "60 W"
load_ohm = 8
driven = "both"
low_hz = 20
high_hz = 20000
percent = 0.3
distortion = "thd"
"""


def _plan(folder: Path, text: str) -> Plan:
    path = folder / "plan.toml"
    path.write_text(HEAD + text, encoding="utf-8")
    return read_plan(path)


def _fields(**fields: Any) -> str:
    shown = {key: f'"{value}"' if isinstance(value, str) else value for key, value in fields.items()}
    return "\n[[specification]]\n" + "".join(f"{key} = {value}\n" for key, value in shown.items())


def _limits(step: Step) -> list[tuple[str, float | None, float | None, str]]:
    return [(limit.quantity, limit.at_least, limit.at_most, limit.source) for limit in step.limits]


def test_one_claim_of_power_with_its_five_conditions(tmp_path: Path) -> None:
    (step,) = _plan(tmp_path, CLAIM).steps
    assert isinstance(step, Step)
    assert (step.measure, step.channels, step.load_ohm, step.not_stated) == ("power", (1, 2), 8.0, ())
    assert step.options == {
        "rated_level": "60 W",
        "rated_percent": 0.3,
        "criterion": "thd",
        # Common practice (16 CFR Part 432 asks for the whole band): both ends, 1 kHz, and between them.
        "frequencies_hz": (20.0, 50.0, 1000.0, 5000.0, 10_000.0, 20_000.0),
    }
    assert _limits(step) == [
        ("least_power_w", 60.0, None, "maker"),
        ("largest_distortion_percent", None, 0.3, "maker"),
    ]


def test_what_the_words_leave_out_is_named_in_step_and_row(tmp_path: Path) -> None:
    (step,) = _plan(tmp_path, _fields(words="60 W", of="power", power="60 W")).steps
    assert isinstance(step, Step)
    assert step.not_stated == (
        "the load (taken: the one of the bench)",
        "which channels are driven (taken: both)",
        "the band of frequencies (taken: 1000 Hz alone)",
        "the distortion (taken: 1 %)",
        "whether noise counts in the distortion (taken: it does)",
    )
    assert step.conditions()["not_stated"] == list(step.not_stated)
    # What was taken is no limit of the maker's.
    assert [(quantity, source) for quantity, _, _, source in _limits(step)] == [
        ("least_power_w", "maker"),
        ("largest_distortion_percent", "house"),
    ]
    (row, _) = judge_step(step, None)[::2]
    assert row.reason.endswith(
        "not stated: the load, which channels are driven, the band of frequencies, the distortion, whether noise "
        "counts in the distortion"
    )


def test_each_channel_driven_alone_is_a_step_of_its_own(tmp_path: Path) -> None:
    one, other = _plan(tmp_path, CLAIM.replace('"both"', '"each"')).steps
    assert (one.channels, other.channels) == ((1,), (2,))
    assert one.name.endswith("(channel 1)") and other.name.endswith("(channel 2)")


@pytest.mark.parametrize(
    ("fields", "measure", "options", "limits", "not_stated"),
    [
        (
            {
                "of": "distortion",
                "level": "30 W",
                "low_hz": 1000,
                "high_hz": 5000,
                "percent": 0.1,
                "distortion": "thd-n",
            },
            "distortion",
            {"frequency_hz": 1000.0},
            [("thd_n_percent", None, 0.1, "maker")],
            (),
        ),
        (
            {"of": "signal-to-noise", "ratio_db": 90, "weighting": "none", "reference": "1 W"},
            "noise",
            {"reference": "1 W"},
            [("snr_db", 90.0, None, "maker")],
            (),
        ),
        (
            {"of": "signal-to-noise", "ratio_db": 90},
            "noise",
            {},
            [("snr_a_db", 90.0, None, "maker")],
            ("the weighting (taken: A)", "the signal that it refers to (taken: none, so no ratio can be told)"),
        ),
        (
            # 1 dB either way of 150 mV: 10^(∓1/20) of it.
            {"of": "sensitivity", "input_v_rms": 0.15, "rated_level": "60 W"},
            "gain",
            {"rated_level": "60 W"},
            [("sensitivity_v_rms", 0.15 * 10**-0.05, 0.15 * 10**0.05, "house")],
            ("a tolerance (taken: 1 dB)",),
        ),
        (
            {"of": "separation", "ratio_db": 50, "level": "1 W"},
            "crosstalk",
            {},
            [("crosstalk_at_1khz_db", None, -50.0, "maker")],
            ("the frequency (taken: 1000 Hz)",),
        ),
        (
            {"of": "damping", "factor": 50, "load_ohm": 8, "frequency_hz": 1000, "level": "1 W"},
            "output-impedance",
            {"reference_hz": 1000.0},
            [("damping_factor", 50.0, None, "maker")],
            (),
        ),
    ],
    ids=lambda value: value.get("of") if isinstance(value, dict) else "",
)
def test_each_kind_becomes_its_measurement(
    tmp_path: Path,
    fields: dict[str, Any],
    measure: str,
    options: dict[str, Any],
    limits: list[tuple[str, float | None, float | None, str]],
    not_stated: tuple[str, ...],
) -> None:
    step = _plan(tmp_path, _fields(words="as the maker says it", **fields)).steps[0]
    assert isinstance(step, Step)
    assert (step.measure, step.options, step.not_stated) == (measure, options, not_stated)
    for found, expected in zip(_limits(step), limits, strict=True):
        assert (found[0], found[3]) == (expected[0], expected[3])
        # Rounding of one power of ten.
        assert [edge for edge in found[1:3] if edge is not None] == pytest.approx(
            [edge for edge in expected[1:3] if edge is not None], rel=1e-12
        )
        assert [edge is None for edge in found[1:3]] == [edge is None for edge in expected[1:3]]


def test_a_response_is_held_against_its_tolerance(tmp_path: Path) -> None:
    band = {"of": "response", "low_hz": 5, "high_hz": 40_000, "level": "1 W"}
    (step,) = _plan(tmp_path, _fields(words="5–40 kHz +0.5 −3 dB", upper_db=0.5, lower_db=-3.0, **band)).steps
    (mask,) = step.masks
    assert (mask.mask.frequency_hz, mask.mask.lower, mask.mask.upper) == ((5.0, 40_000.0), (-3.0, -3.0), (0.5, 0.5))
    assert (mask.source, mask.mask.placement) == ("maker", "reference")
    assert isinstance(step, Step) and step.options == {"from_hz": 5.0, "to_hz": 40_000.0}
    # Without a tolerance it is no specification: what is taken is this bench's.
    (loose,) = _plan(tmp_path, _fields(words="5–40 kHz", **band)).steps
    assert isinstance(loose, Step)
    assert (loose.masks[0].source, loose.not_stated) == ("house", ("a tolerance (taken: ±3 dB)",))


def test_what_a_card_cannot_show_of_a_claim_does_not_stop_the_rest(tmp_path: Path) -> None:
    claim = _fields(words="0.1 % THD to 20 kHz", of="distortion", level="1 W", low_hz=20, high_hz=20_000, percent=0.1)
    refuse_impossible(_plan(tmp_path, claim), 48_000.0)
    own = '\n[[step]]\nname = "x"\nmeasure = "distortion"\nfrequency_hz = 20000\n'
    with pytest.raises(TomlProblem, match="harmonic 3 of 20000 Hz"):
        refuse_impossible(_plan(tmp_path, own), 48_000.0)


@pytest.mark.parametrize(
    ("loads", "fits"), [({1: 8.0, 2: 8.2}, True), ({1: 8.0, 2: 4.0}, False), ({1: 8.0}, False), ({}, False)]
)
def test_a_claim_holds_for_its_load_alone(tmp_path: Path, loads: dict[int, float], fits: bool) -> None:
    (step,) = _plan(tmp_path, CLAIM).steps
    assert isinstance(step, Step)
    if fits:
        step.refuse_other_loads(loads)
        return
    with pytest.raises(BenchError, match="stated for a load of 8 Ω"):
        step.refuse_other_loads(loads)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('of = "power"', 'of = "powr"', "line 6: specification[1].of: 'powr' is not one of power, "),
        ('power = "60 W"', 'power = "22 V"', "specification[1].power: '22 V' is no power"),
        ('power = "60 W"', 'power = "60"', "is not a number with a unit"),
        ("high_hz = 20000\n", "", "give low_hz and high_hz, or neither"),
        ("high_hz = 20000", "high_hz = 10", "must lie below high_hz"),
        ("percent = 0.3", "percent = -1", "must be above 0"),
        ("load_ohm", "load_ohms", "unknown key (did you mean 'load_ohm'?)"),
        ('driven = "both"', 'driven = "two"', "is not one of both, each"),
    ],
)
def test_what_is_wrong_is_named_with_file_and_key(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in CLAIM
    with pytest.raises(TomlProblem) as caught:
        _plan(tmp_path, CLAIM.replace(old, new))
    assert said in str(caught.value)


def test_what_a_bench_cannot_show_of_a_claim_is_no_wrong_request(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    claim = _fields(words="0.1 % THD", of="distortion", level="1 W", percent=0.1, distortion="thd")
    plan = _plan(tmp_path, claim)
    use_fakes(monkeypatch)
    session = FakeSession({"distortion": RequestError("harmonic 3 of 20000 Hz lies beyond 24000 Hz")})
    unit = parse_unit("Demo amplifier A, serial D-0001")
    outcome = run_on(session, plan, unit=unit, records=tmp_path / "records")
    assert (outcome.exit_status, outcome.verdict) == (3, "undecided")
