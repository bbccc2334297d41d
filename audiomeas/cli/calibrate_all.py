"""`audiomeas calibrate all`: output, input and loopback of each channel in one go, with one meter, into one file.

Each channel is plugged once: the meter tells the output, the output then tells the input on its range (what the meter
is off cancels in gains), and the meter comes off for what the bench adds.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from audiomeas.cli.calibrate_dialogue import (
    ask_of,
    ask_to_play,
    ask_whether,
    channel_readings_options,
    channels_option,
    dialogue,
    file_options,
    new_file,
    print_found,
    readings_of,
    say_cautions,
    session_of,
    session_on,
)
from audiomeas.cli.calibrate_words import loopback_facts, loopback_line, scale_facts, scale_line
from audiomeas.cli.common import Command, bench_option, json_option, print_json, say

if TYPE_CHECKING:
    from audiomeas.bench.calibration import Calibration
    from audiomeas.bench.opened import Bench
    from audiomeas.measurement.calibrate import Ask
    from audiomeas.measurement.calibrate_loopback import AskLoopback


@click.command("all", cls=Command, short_help="Output, input and loopback of each channel, step by step.")
@channels_option
@channel_readings_options
@file_options
@bench_option
@json_option
def calibrate_all(
    channels: tuple[int, ...], bench: str | None, calibration: str | None, as_json: bool, **given: Any
) -> None:
    """Calibrate each channel on the range that the bench file names: output, input, and what the bench adds.

    Asks for the meter once, and for two readings a channel, unless they are given as options; about five minutes for
    two. Writes one new calibration file. For the other ranges: enter them in the bench file, then
    `calibrate input --against-output` and `calibrate loopback`, with --calibration naming the new file.

    \b
    Example: audiomeas calibrate all --bench my-bench.toml
    Scripted: audiomeas calibrate all --bench my-bench.toml \\
                --meter "Demo multimeter, M-0001" \\
                --meter-accuracy "0.8 % + 3 digits" --meter-high-hz 1000 \\
                --quiet-reading "1=100.2 mV" --loud-reading "1=1.002 V" \\
                --channel 1 --play --json
    """
    say_cautions()
    opened = session_of(bench, calibration).bench
    wanted = tuple(sorted(set(channels))) or opened.channels
    readings = readings_of(given, wanted)
    walk = _Walk(opened, ask_of("output", channel=wanted[0], against_output=False, **given), given, readings)
    walk.check(wanted)
    path = new_file(opened.file.calibration.file, given["write"], walk.ask.made.isoformat())
    try:
        for place, channel in enumerate(wanted, start=1):
            say(f"channel {channel} ({place} of {len(wanted)}), range {dict(opened.file.ranges)[channel]}")
            walk.calibrate(channel)
    finally:  # what was found before something went wrong is kept
        walk.write(path, as_json=as_json)


class _Walk:
    """The bench as it is known by now, and the lines that say what was found. ask : of the first channel's output.
    given, readings : the options, and those of each channel.
    """

    def __init__(
        self, bench: Bench, ask: Ask, given: Mapping[str, Any], readings: Mapping[int, Mapping[str, Any]]
    ) -> None:
        from audiomeas.measurement.api import CaptureFolder

        self.bench, self.ask, self._given, self._readings = bench, ask, given, readings
        self._keep = CaptureFolder(Path(given["captures"]), "calibrate")
        self._lines: list[str] = []
        self._facts: dict[str, list[dict[str, Any]]] = {"outputs": [], "inputs": [], "loopbacks": []}

    def check(self, channels: Sequence[int]) -> None:
        """Raise what is wrong with the bench or with what is asked for; before any sound."""
        from audiomeas.measurement.calibrate import check_ask, check_bench
        from audiomeas.measurement.calibrate_loopback import check_ask as check_loop

        check_ask(self.ask)
        check_loop(self._ask_loop(channels[0]))
        for channel in channels:
            ask = dataclasses.replace(self.ask, channel=channel)
            check_bench(session_on(self.bench), ask)
            dialogue(ask, self._readings[channel])  # reads those that were given

    def calibrate(self, channel: int) -> None:
        """Find output, input and loopback of a channel, plugged once. Raises as each of them does."""
        from audiomeas.bench.calibration_text import with_loopbacks
        from audiomeas.measurement.calibrate_loopback import bare, calibrate_loopback

        output = dataclasses.replace(self.ask, channel=channel)
        ask_to_play(output, session_on(self.bench), play=self._given["play"])
        self._scale(output)
        say(f"input {channel}: the same two tones again, told by the output; nothing to read")
        self._scale(dataclasses.replace(output, kind="input", meter=None))
        say(f"loopback {channel}: tones and silence; take the meter off the cable, leave the cable in")
        ask_whether(play=self._given["play"])
        found = calibrate_loopback(session_on(bare(self.bench)), self._ask_loop(channel), keep=self._keep)
        self._facts["loopbacks"] += map(loopback_facts, found)
        self._know(with_loopbacks(self.bench.file.calibration, found), *map(loopback_line, found))

    def write(self, path: Path, *, as_json: bool) -> None:
        """Write what was found and print it; nothing where nothing was."""
        from audiomeas.bench.calibration_text import calibration_text
        from audiomeas.files import write_new_text

        if not self._lines:
            return
        write_new_text(path, calibration_text(self.bench.file.calibration, simulated=self.bench.simulated))
        if as_json:
            print_json({"calibrated": "all", **self._facts, "file": str(path), "simulated": self.bench.simulated})
            return
        print_found(self._lines, path, simulated=self.bench.simulated)

    def _scale(self, ask: Ask) -> None:
        from audiomeas.bench.calibration_text import with_scale
        from audiomeas.measurement.calibrate import calibrate

        read, confirm = dialogue(ask, self._readings[ask.channel])
        found = calibrate(session_on(self.bench), ask, read=read, confirm=confirm, keep=self._keep)
        for note in found.notes:
            say(f"warning: {note}")
        new = with_scale(self.bench.file.calibration, found.scale, output=ask.kind == "output")
        self._facts[f"{ask.kind}s"].append(scale_facts(found, ask))
        self._know(new, scale_line(found, ask))

    def _know(self, calibration: Calibration, *lines: str) -> None:
        from audiomeas.measurement.calibrate import with_calibration

        self.bench = with_calibration(self.bench, calibration)
        self._lines += lines

    def _ask_loop(self, channel: int) -> AskLoopback:
        from audiomeas.measurement.calibrate_loopback import AskLoopback

        return AskLoopback(
            channels=(channel,),
            level_dbfs=self.ask.level_dbfs,
            reference_hz=self.ask.frequency_hz,
            valid_days=self.ask.valid_days,
            made=self.ask.made,
        )
