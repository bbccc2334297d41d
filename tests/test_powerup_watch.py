"""A bring-up's arithmetic and its watch: bulb, stop limits, trends. Pure: no record, no clock."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from bring_ups import SHORT

from audiomeas.errors import FileProblem, RequestError
from audiomeas.files import shipped
from audiomeas.powerup.asked import Moment, asked_at, planned
from audiomeas.powerup.bulb import Bulb
from audiomeas.powerup.sheet import GLOWS, Sheet, find_sheet, read_sheet, shipped_sheets
from audiomeas.powerup.watch import bulb_warnings, stop_reason, warnings_at


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Sheet:
    return read_sheet(_written(tmp_path_factory.mktemp("sheet"), SHORT))


def _written(folder: Path, text: str) -> Path:
    path = folder / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _look(sheet: Sheet, step: int = 0, number: int = 0, **typed: str) -> Moment:
    """Return a look; keys as in a file of readings."""
    rest = sheet.steps[step]
    moment = Moment(step=rest, number=number, after_s=0.0)
    for asked in asked_at(sheet, rest):
        if asked.key in typed:
            moment = moment.with_read(asked.key, asked.question.read(typed[asked.key]))
    assert {*moment.typed, *(["signs"] if moment.signs else [])} == set(typed)
    return moment


def test_the_bulb_of_the_published_example() -> None:
    """Published bench practice: 100 W at 120 V, 0.83 A, 144 Ω hot, about 10 Ω cold."""
    bulb = Bulb(rated_w=100.0, mains_v=120.0)
    assert round(bulb.current_a, 2) == 0.83
    assert bulb.hot_ohm == pytest.approx(144.0, rel=1e-12)  # V²/W, rounding of doubles only
    assert round(bulb.cold_ohm) == 10
    # Ohm's law with the hot resistance: at full mains it is W/V again, at half of it half.
    assert bulb.least_short_a(120.0) == pytest.approx(100.0 / 120.0, rel=1e-12)
    assert bulb.least_short_a(60.0) == pytest.approx(50.0 / 120.0, rel=1e-12)


@pytest.mark.parametrize(
    "wrong", [(0.0, 230.0), (100.0, 0.0), (float("nan"), 230.0), (100.0, float("inf")), (-60.0, 230.0)]
)
def test_a_bulb_that_is_none(wrong: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="above zero"):
        Bulb(rated_w=wrong[0], mains_v=wrong[1])


#: At 60 V a short circuit behind this bulb draws at least 60/144 A = 417 mA; 80 % of that is 333 mA.
@pytest.mark.parametrize(
    ("step", "typed", "words"),
    [
        (0, {"bulb": "bright"}, "stays bright"),
        (0, {"bulb": "half"}, ""),
        (0, {"mains": "60 V", "current": "332 mA"}, ""),
        (0, {"mains": "60 V", "current": "334 mA"}, "80 % of what a short circuit"),
        (0, {"current": "334 mA"}, "short circuit"),  # mains not read: that of the step counts
        (0, {"mains": "60 V", "current": "1 A"}, "not in circuit"),  # 0.83 A is the most that it lets through
        (0, {"mains": "133 V"}, "more than 132 V"),  # 110 % of 120 V
        (0, {"mains": "0 V", "current": "0 A"}, ""),
        (0, {"dc_offset_1": "5 V"}, ""),  # below 60 % of mains it warns
        (1, {"dc_offset_1": "100 mV"}, ""),
        (1, {"dc_offset_1": "101 mV"}, "channel 1, 101 mV"),
        (1, {"dc_offset_2": "-0.2 V"}, "channel 2, -0.2 V"),
        (1, {"Rail": "50 V"}, ""),
        (1, {"Rail": "50.1 V"}, "Rail, 50.1 V, is above 50 V"),
        (1, {"signs": "no"}, ""),
        (1, {"signs": "NO"}, ""),
        (1, {"signs": "smells of tar"}, "smells of tar"),
        (1, {"current": "40 A"}, ""),  # no bulb, and no plate figure to hold it against
    ],
)
def test_what_stops(sheet: Sheet, step: int, typed: dict[str, str], words: str) -> None:
    reason = stop_reason(sheet, _look(sheet, step, **typed))
    assert (words in reason) if words else reason == ""


def test_what_stops_is_what_the_limits_say_for_any_readings(sheet: Sheet) -> None:
    """800 random looks (seed 7): the limits once more, in plain arithmetic, from the numbers alone."""
    draw = random.Random(7)
    stopped = 0
    for _ in range(800):
        step = draw.randrange(2)
        mains_v, current_a = round(draw.uniform(0.0, 150.0), 1), round(10 ** draw.uniform(-2.5, 0.3), 3)
        offset_v, glow = round(draw.gauss(0.0, 0.07), 4), draw.choice(GLOWS)
        typed = {"mains": f"{mains_v} V", "current": f"{current_a} A", "dc_offset_2": f"{offset_v} V"}
        if step == 0:
            typed["bulb"] = glow
        wanted = mains_v > 1.1 * 120.0
        wanted |= step == 0 and (glow == "bright" or (mains_v > 0.0 and current_a >= 0.8 * mains_v / 144.0))
        wanted |= step == 0 and current_a > 1.1 * 100.0 / 120.0
        wanted |= step == 1 and abs(offset_v) > 0.1
        assert bool(stop_reason(sheet, _look(sheet, step, **typed))) == wanted, typed
        stopped += wanted
    assert 200 < stopped < 760  # both kinds occur


@pytest.mark.parametrize(
    ("looks", "words"),
    [
        ([{"current": "80 mA"}, {"current": "80 mA"}], ""),
        ([{"current": "80 mA"}, {"current": "70 mA"}], ""),
        ([{"current": "80 mA"}, {"current": "84 mA"}], ""),  # 5 % counts as resting
        ([{"current": "80 mA"}, {"current": "95 mA"}], "current rises while the voltage rests, 80 mA to 95 mA"),
        ([{"current": "2 mA"}, {"current": "4 mA"}], ""),  # digits of the meter, not a rise
        ([{"mains": "50 V", "current": "80 mA"}, {"mains": "60 V", "current": "96 mA"}], ""),  # as the mains itself
        ([{"current": "80 mA"}, {}], ""),  # not read: nothing is told
        ([{"bulb": "dim"}, {"bulb": "dark"}], ""),
        ([{"bulb": "dark"}, {"bulb": "dark"}], ""),
        ([{"bulb": "dim"}, {"bulb": "dim"}], "does not get darker: dim"),
        ([{"bulb": "dim"}, {"bulb": "half"}], "grows brighter"),
    ],
)
def test_trends_while_the_voltage_rests(sheet: Sheet, looks: list[dict[str, str]], words: str) -> None:
    moments = [_look(sheet, 0, number, **typed) for number, typed in enumerate(looks)]
    told = [line for line in warnings_at(sheet, moments) if "asks for" not in line]
    assert (len(told) == 1 and words in told[0]) if words else told == []


def test_a_glow_that_is_legitimate_does_not_warn(tmp_path: Path) -> None:
    """Common practice: class A and tubes keep the bulb alight."""
    sheet = read_sheet(_written(tmp_path, SHORT.replace("mains_v = 120", 'mains_v = 120\nsteady_glow = "dim"')))
    dim = [_look(sheet, 0, number, bulb="dim") for number in range(2)]
    assert warnings_at(sheet, dim) == ()
    half = [_look(sheet, 0, number, bulb="half") for number in range(2)]
    assert "does not get darker" in warnings_at(sheet, half)[0]


@pytest.mark.parametrize(("second", "words"), [("120 mA", ""), ("130 mA", ""), ("140 mA", "× 1.8 for × 1.5")])
def test_current_that_grows_faster_than_the_voltage(tmp_path: Path, second: str, words: str) -> None:
    """80 mA at 40 V would be 120 mA at 60 V in proportion; a tenth more is left to meters and transformers."""
    third = '[[step]]\nname = "third"\nmains_percent = 33.333\nbulb = "in"\n\n'
    sheet = read_sheet(_written(tmp_path, SHORT.replace("[[step]]", f"{third}[[step]]", 1)))
    moments = [_look(sheet, 0, 0, mains="40 V", current="80 mA")]
    moments += [_look(sheet, 1, number, mains="60 V", current=second) for number in range(2)]
    told = warnings_at(sheet, moments)
    assert (len(told) == 1 and words in told[0]) if words else told == ()


@pytest.mark.parametrize(
    ("step", "typed", "words"),
    [
        (0, {"mains": "72 V"}, "asks for 60 V"),  # 10 % of nominal away
        (0, {"mains": "62 V"}, None),
        (0, {"bulb": "dark", "current": "0.5 A"}, "is it the one in circuit"),
        (0, {"dc_offset_1": "5 V"}, "circuits may not work yet"),
        # Bands of common practice at full mains: within 20 mV, again up to 50 mV, adjust up to 100 mV.
        (1, {"dc_offset_1": "19 mV"}, None),
        (1, {"dc_offset_1": "-21 mV"}, "read it again"),
        (1, {"dc_offset_1": "51 mV"}, "adjust it"),
    ],
)
def test_what_one_look_warns_of(sheet: Sheet, step: int, typed: dict[str, str], words: str | None) -> None:
    told = warnings_at(sheet, [_look(sheet, step, **typed)])
    assert told == () if words is None else words in told[0]


def test_what_the_plate_says(tmp_path: Path) -> None:
    """Idle VA against the plate: 1.5 times its idle, 30 % of its largest (class AB), more than that stops."""
    text = SHORT.replace("mains_v = 120", "mains_v = 120\nidle_va = 40\nmaximum_va = 300")
    sheet = read_sheet(_written(tmp_path, text))
    assert bulb_warnings(sheet) == ()

    def told(current: str) -> str:
        moment = _look(sheet, 1, mains="120 V", current=current)
        return " ".join([stop_reason(sheet, moment), *warnings_at(sheet, [moment])]).strip()

    assert told("490 mA") == ""  # 59 VA
    assert "1.5 times the plate's idle" in told("510 mA")  # 61 VA
    assert "30 % of the plate's largest" in told("760 mA")  # 91 VA
    assert "301 VA idling is more than the plate's largest" in told("2.51 A")
    too_large = read_sheet(_written(tmp_path, text), bulb_w=500.0)
    assert "protects little" in bulb_warnings(too_large)[0]
    too_small = read_sheet(_written(tmp_path, text), bulb_w=60.0)
    assert "use a larger one" in bulb_warnings(too_small)[0]


@pytest.mark.parametrize("name", sorted(path.stem for path in shipped("examples", "bringup").glob("*.toml")))
def test_shipped_sheets(name: str) -> None:
    assert name in shipped_sheets()
    sheet = read_sheet(find_sheet(name), mains_v=230.0, bulb_w=100.0)
    assert sheet.steps[0].bulb_in
    assert not sheet.steps[-1].bulb_in
    assert sheet.steps[-1].mains_percent == 100.0
    names = [step.name for rest in sheet.steps for step in planned(sheet, rest)]
    assert len(set(names)) == len(names)
    if sheet.circuit == "tube":
        assert [step.name for step in sheet.before if step.name == "Loads"]
        assert not [one for one in names if "DC offset" in one]
        assert [one for one in names if one.endswith("Bias")]
        solid_state = read_sheet(find_sheet("solid-state"))
        assert sum(step.dwell_s for step in sheet.steps) > sum(step.dwell_s for step in solid_state.steps)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('bulb = "in"', 'bulb = "on"', "line 13: step[1].bulb"),
        ('bulb = "in"', 'bulb = "out"', "must have bulb = 'in'"),
        ("mains_percent = 50", "mains_percent = 150", "must be at most 106"),
        ("readings = 2", "readings = 1", "at least 2"),
        ("dwell_min = 10", "dwell_mins = 10", "did you mean 'dwell_min'"),
        ('name = "full"', 'name = "half"', "twice"),
        ('circuit = "solid-state"', 'circuit = "solid state"', "did you mean 'solid-state'"),
        ("mains_v = 120", "mains_v = 12", "must be at least 90"),
        ('stop_above = "50 V"', "stop_above = 50", "must be a text"),
        ('stop_above = "50 V"', 'stop_above = "50 A"', "stop_above"),
        ('unit = "V"', 'unit = "Volt"', "unknown unit"),
        ('name = "Rail"', 'name = "mains"', "asked for anyway"),
        ('mains_meter = "1 % + 3 digits"', 'mains_meter = "good"', "mains_meter"),
    ],
)
def test_wrong_sheets_are_refused_where_they_are_wrong(tmp_path: Path, old: str, new: str, words: str) -> None:
    assert old in SHORT
    with pytest.raises(FileProblem) as refused:
        read_sheet(_written(tmp_path, SHORT.replace(old, new, 1)))
    assert words in str(refused.value)
    assert "sheet.toml" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_sheet_without_mains_or_bulb_says_what_to_give(tmp_path: Path) -> None:
    text = SHORT.replace("mains_v = 120\n", "")
    with pytest.raises(RequestError, match="has no mains_v: say the unit's nominal mains, such as mains '230 V'"):
        read_sheet(_written(tmp_path, text)).bulb()
    assert read_sheet(_written(tmp_path, text), mains_v=100.0).bulb().current_a == 1.0
    with pytest.raises(RequestError, match="between 90 and 260"):
        read_sheet(_written(tmp_path, text), mains_v=float("nan"))
