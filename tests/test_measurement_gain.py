"""Gain, sensitivity and balance: arithmetic on exact tones, channels that are not driven, what is not known."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest
from array_amplifiers import FULL_SCALE_V_RMS, RATE_HZ, SCALE

from audiomeas.errors import RequestError
from audiomeas.measurement.attached import AttachedResult
from audiomeas.measurement.base import PlayContext
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import result_from_json
from audiomeas.recording import Recording

GAIN = find("gain")


def _recording(gains, **changes):
    context = PlayContext(sample_rate_hz=RATE_HZ, channels=(1, 2), input_level_v_rms=0.1)
    stimulus = GAIN.stimulus(context, complete(GAIN, {}))
    played = stimulus.samples_v()
    noise = 1e-5 * np.random.default_rng(2).standard_normal((len(played), 2))
    facts = {
        "counts_fs": (played[:, None] * gains + noise) / (FULL_SCALE_V_RMS * math.sqrt(2.0)),
        "sample_rate_hz": RATE_HZ,
        "channels": (1, 2),
        "v_rms_at_full_scale": (FULL_SCALE_V_RMS,) * 2,
        "scale_uncertainty": (SCALE,) * 2,
        "conditions": {
            "load_ohm": {"1": 8.0, "2": 8.0},
            "load_uncertainty": {"1": 0.0, "2": 0.0},
            "input_level_uncertainty": 0.001,
        },
        "stimulus": stimulus,
        "stimulus_start": 0,
        "stimulus_in_volts": True,
        "shared_clock": True,
        "over_range": (0, 0),
    }
    return Recording(**{**facts, **changes})


def _analysed(recording, **options):
    other = {"other_setting": options.pop("other_setting")} if "other_setting" in options else {}
    return GAIN.analyse(recording, {**complete(GAIN, options), **other})


def test_gain_sensitivity_and_balance():
    found = _analysed(_recording([20.0, 19.0]), rated_level="60 W")
    # 60 W into 8 Ω are 21.91 V (trade notes, 7.1): over 20 and over 19.
    for channel, gain in ((1, 20.0), (2, 19.0)):
        told = found.channel(channel)
        assert told.values["gain_db"] == pytest.approx(20.0 * math.log10(gain), abs=1e-4)
        assert told.values["sensitivity_v_rms"] == pytest.approx(math.sqrt(480.0) / gain, rel=1e-5)
        # Two rectangular parts, 0.2 % and 0.1 %: between the larger and their sum.
        relative = told.uncertainty["sensitivity_v_rms"] / told.values["sensitivity_v_rms"]
        assert 0.002 < relative < 0.003
        assert told.uncertainty["gain_db"] == pytest.approx(8.686 * relative, rel=1e-3)
    assert found.channel(1).values["balance_db"] == 0.0
    assert found.channel(2).values["balance_db"] == pytest.approx(20.0 * math.log10(19.0 / 20.0), abs=1e-4)
    assert 8.686 * SCALE < found.channel(2).uncertainty["balance_db"] < 2.0 * 8.686 * SCALE
    # 150 mV for the rated power is the trade's own way to say it: 2 V from a gain of 20 are 100 mV.
    assert _analysed(_recording([20.0, 19.0]), rated_level="2 V").channel(1).values[
        "sensitivity_v_rms"
    ] == pytest.approx(0.1)


def test_what_is_not_known_is_null():
    plain = _analysed(_recording([20.0, 19.0]))
    assert plain.channel(1).values["sensitivity_v_rms"] is None
    one = _recording([20.0, 0.0])
    alone = dataclasses.replace(one, stimulus=dataclasses.replace(one.stimulus, driven_channels=(1,)))
    assert _analysed(alone).channel(2).values["gain_db"] is None
    uncalibrated = _recording([20.0, 19.0], v_rms_at_full_scale=(None, None), scale_uncertainty=(None, None))
    told = _analysed(uncalibrated, rated_level="2 V").channel(1)
    assert told.values["gain_db"] is None
    assert told.values["sensitivity_v_rms"] is None


def _other(found, **changes):
    result = result_from_json(json.loads(json.dumps(found.as_json())))
    return AttachedResult(name="middle.json", sha256="0" * 64, result=dataclasses.replace(result, **changes))


def test_the_range_of_a_tone_control_is_the_change_from_its_middle():
    """Gains of 20 and 19 at the middle, 63 and 6 at an end: 20 · lg of their ratios, to what noise of 1e-5 V leaves."""
    middle = _analysed(_recording([20.0, 19.0]))
    end = _analysed(_recording([63.0, 6.0]), other_setting=_other(middle))
    for channel, ratio in ((1, 63.0 / 20.0), (2, 6.0 / 19.0)):
        told = end.channel(channel)
        assert told.values["change_db"] == pytest.approx(20.0 * math.log10(ratio), abs=1e-3)
        # These scales don't say where they come from, so that nothing cancels: at most both, and more than one.
        assert 1.0 < told.uncertainty["change_db"] / told.uncertainty["gain_db"] <= 2.0
    assert [row[0] for row in GAIN.tables(end)[0].rows][2] == "gain over that at the other setting"
    assert "change_db" not in middle.channel(1).values


def test_settings_that_can_not_be_compared_are_refused():
    middle = _analysed(_recording([20.0, 20.0]))
    for changes, said in (
        ({"measurement": "response"}, "is a result of response"),
        ({"conditions": {**middle.conditions, "frequency_hz": 100.0}}, "is of 100 Hz, this of 1 kHz"),
    ):
        with pytest.raises(RequestError, match=said):
            _analysed(_recording([20.0, 20.0]), other_setting=_other(middle, **changes))
