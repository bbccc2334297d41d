"""The arrows of DEVELOPERS.md: imports point downward, and `--help` stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import audiomeas
from audiomeas.cli.main import audiomeas as command

PACKAGE = Path(audiomeas.__file__).parent
#: '' is the package itself (its version).
BASE = {"errors", "units", "shown_units", "shown_digits", "files", "tomlfile", ""}
ALLOWED = {
    "stimulus": {"stimulus"},
    "analysis": {"analysis"},
    "simulation": {"simulation"},
    "interface": {"interface", "simulation"},
    "bench": {"bench", "interface", "simulation"},
    "measurement": {"measurement", "bench", "analysis", "stimulus", "interface", "recording", "recording_blocks"},
    "record": {"record", "measurement", "recording", "recording_blocks", "interface"},
    "diagnosis": {"diagnosis", "record", "measurement"},
    "plan": {"plan", "record", "measurement", "bench", "recording", "interface"},
    "powerup": {"powerup", "plan", "record", "measurement", "bench"},
    "present": {"present", "diagnosis", "record", "measurement"},
    "cli": {
        "cli",
        "demo",
        "plan",
        "powerup",
        "record",
        "diagnosis",
        "present",
        "measurement",
        "bench",
        "interface",
        "simulation",
        "stimulus",
    },
    "recording.py": {"stimulus", "interface", "container"},
    "recording_blocks.py": {"recording", "interface", "container"},
    "container.py": set(),
    "demo.py": {"plan", "present", "record", "bench"},
    "errors.py": set(),
    "units.py": set(),
    "shown_units.py": set(),
    "shown_digits.py": set(),
    "files.py": set(),
    "tomlfile.py": set(),
}
#: The only outside packages that a room may import.
OUTSIDE = {
    "analysis": {"numpy", "scipy"},
    "stimulus": {"numpy"},
    "bench": {"numpy"},
    "simulation": {"numpy", "scipy"},
    "measurement": {"numpy", "scipy"},
    "plan": {"numpy"},
    "powerup": set(),
    "record": {"numpy"},
    "diagnosis": set(),
    "present": {"numpy", "matplotlib"},
    "cli": {"click"},
}


def imports(path):
    """Yield every imported module of a file, by full name."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""


def files_of(room):
    return [PACKAGE / room] if room.endswith(".py") else sorted((PACKAGE / room).rglob("*.py"))


def test_every_room_is_listed():
    rooms = {p.name for p in PACKAGE.iterdir() if p.is_dir() and (p / "__init__.py").exists()}
    modules = {p.name for p in PACKAGE.glob("*.py")} - {"__init__.py", "__main__.py"}
    assert rooms | modules == set(ALLOWED)


@pytest.mark.parametrize("room", ALLOWED)
def test_imports_point_downward(room):
    for path in files_of(room):
        for name in imports(path):
            if name.split(".")[0] == "audiomeas":
                target = name.split(".")[1] if "." in name else ""
                assert target in ALLOWED[room] | BASE, f"{path.name} imports {name}"


@pytest.mark.parametrize("room", OUTSIDE)
def test_outside_packages(room):
    for path in files_of(room):
        for name in imports(path):
            top = name.split(".")[0]
            if top in sys.stdlib_module_names or top == "audiomeas":
                continue
            assert top in OUTSIDE[room], f"{path.name} imports {name}"


def test_analysis_has_no_clock_file_or_process():
    forbidden = {"time", "datetime", "os", "pathlib", "subprocess", "threading", "random", "io"}
    for path in files_of("analysis"):
        assert not forbidden & {name.split(".")[0] for name in imports(path)}, path.name


def loaded_by(code):
    """Return the modules loaded by a piece of code in a fresh interpreter."""
    command = [sys.executable, "-c", f"{code}\nimport sys; print(' '.join(sys.modules))"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return set(done.stdout.split("\n")[-2].split())


HEAVY = {"numpy", "scipy", "matplotlib", "sounddevice", "soundfile"}
HELPS = [
    ["--help"],
    ["demo", "--help"],
    ["devices", "--help"],
    ["bench", "--help"],
    ["bench", "show", "--help"],
    ["calibrate", "--help"],
    ["calibrate", "output", "--help"],
    ["calibrate", "load", "--help"],
    ["bench", "attenuator", "--help"],
    ["bench", "load", "--help"],
    ["bench", "impedance", "--help"],
    ["measure", "--help"],
    ["measure", "distortion", "--help"],
    ["measure", "intermodulation", "--help"],
    ["measure", "multitone", "--help"],
    ["measure", "distortion-steps", "--help"],
    ["measure", "response", "--help"],
    ["measure", "crosstalk", "--help"],
    ["measure", "tracking", "--help"],
    ["analyze", "distortion", "--help"],
    ["analyze", "response", "--help"],
    ["generate", "sweep", "--help"],
    ["generate", "twin-tone", "--help"],
    ["generate", "square-and-sine", "--help"],
    ["generate", "multitone", "--help"],
    ["generate", "staggered-sweeps", "--help"],
    ["bringup", "--help"],
    ["soak", "--help"],
    ["run", "--help"],
    ["live", "--help"],
    ["history", "--help"],
    ["compare", "--help"],
    ["diagnose", "--help"],
    ["export", "--help"],
    ["reanalyze", "--help"],
    ["chart", "--help"],
    ["report", "--help"],
]


def test_help_loads_nothing_heavy():
    """The time itself is a benchmark (tests/benchmarks/bench_help.py); what makes it is tested here.

    All in one interpreter, to be quick: what one of them loads stays loaded, and is found after it.
    """
    code = (
        "import sys\n"
        "from audiomeas.cli.main import status_of\n"
        f"for arguments in {HELPS!r}:\n"
        "    assert status_of(arguments) == 0, arguments\n"
        f"    assert not {HEAVY!r} & sys.modules.keys(), arguments\n"
    )
    assert not HEAVY & loaded_by(code)


def test_importing_the_package_loads_nothing_heavy():
    assert not HEAVY & loaded_by("import audiomeas; audiomeas.__version__; dir(audiomeas)")


#: What a first power-up may load of the bench: the arithmetic of typed readings, and words.
QUIET_BENCH = {
    f"audiomeas.bench{name}" for name in ("", ".bridged", ".cautions", ".coverage", ".meter", ".parts", ".resistors")
}
SOUNDS = (
    "audiomeas.interface", "audiomeas.simulation", "audiomeas.stimulus", "audiomeas.recording", "audiomeas.plan.run",
    "audiomeas.measurement.session", "audiomeas.measurement.gated", "audiomeas.measurement.api",
    "audiomeas.measurement.live", "sounddevice", "soundfile",
)  # fmt: skip


def test_a_first_power_up_loads_nothing_that_could_sound(tmp_path):
    """The generator stays disabled: a whole bring-up by the command, in a fresh interpreter, and what it has loaded."""
    from bring_ups import LINES, SHORT

    (tmp_path / "short.toml").write_text(SHORT)
    arguments = ["bringup", str(tmp_path / "short.toml"), "--unit", "Demo amplifier A, serial D-0001", "--no-wait"]
    loaded = loaded_by(
        "import io, sys\n"
        "from audiomeas.cli.main import status_of\n"
        f"sys.stdin = io.StringIO({LINES!r})\n"
        f"assert status_of([*{arguments!r}, '--records', {str(tmp_path / 'records')!r}]) == 0"
    )
    assert "audiomeas.powerup.guide" in loaded
    assert not [name for name in loaded if name.startswith(SOUNDS)]
    assert {name for name in loaded if name.startswith("audiomeas.bench")} <= QUIET_BENCH


def test_no_test_takes_its_truth_from_the_analysis_of_another_room():
    """Correction 16, as far as a program can see it: simulation and stimulus are tested without analysis."""
    for path in Path(__file__).parent.glob("test_simulation*.py"):
        assert not [name for name in imports(path) if name.startswith("audiomeas.analysis")], path.name


def test_every_help_has_an_example():
    for arguments in HELPS:
        done = CliRunner().invoke(command, arguments)
        assert done.exit_code == 0, arguments
        if arguments != ["--help"]:
            assert "Example: audiomeas " in done.output, arguments


def test_the_list_of_measurements_says_what_their_modules_say():
    """The list is written without loading modules; the same sentence stands in both."""
    from audiomeas.measurement import registry

    assert [(word, registry.find(word).summary) for word in registry.words()] == registry.summaries()
