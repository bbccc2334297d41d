"""Make the gallery beside this file: what charts and pages look like, from the demo's records. All of it is SIMULATED.

    python examples/make_gallery.py NEW_FOLDER

runs the demo in NEW_FOLDER, repairs its faulty amplifier, measures it again, and writes the pictures into a folder
'gallery' there; those in examples/gallery are such ones. It takes about three minutes.
"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

import audiomeas
from audiomeas.errors import AudiomeasError

#: Width in dots and number of colours: below 100 kB each, and still to be read.
CHART, PAGE = (1000, 128), (800, 48)
FAULTY = "Demo amplifier C, serial D-0003"


def smaller(picture: Path) -> None:
    """Write a picture again with fewer dots and colours."""
    wide, colours = PAGE if picture.name.startswith("page") else CHART
    with Image.open(picture) as large:
        high = round(large.height * wide / large.width)
        small = large.convert("RGB").resize((wide, high), Image.Resampling.LANCZOS)
    # By coverage: a thin curve keeps its colour among all the white.
    small.quantize(colours, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(picture, optimize=True)


def repaired(demo: Path) -> Path:
    """Write the repair of the faulty amplifier down, measure it again, and return its new visit."""
    book = audiomeas.logbook(FAULTY, records=demo / "records")
    book.repair("output transistors", position="Q7, Q8", reason="weak on channel 2", minutes=90)
    book.adjust("bias trimmer", position="R23", reason="set again", before="3 mV", after="12 mV", minutes=15)
    book.listen("both channels clean at all levels", minutes=120)
    bench = demo / "benches" / "amplifier-healthy.toml"
    plan = demo / "power-amplifier.toml"
    return audiomeas.run(plan, unit=FAULTY, bench=bench, records=demo / "records", stage="as-left").visit.path


def gallery(demo: Path) -> list[Path]:
    """Run the demo in a new folder and return the pictures made of its records."""
    healthy, under_biased, weak = (outcome.visit.path for outcome in audiomeas.demo(demo, say=print).runs)
    return drawn(demo / "gallery", healthy=healthy, under_biased=under_biased, weak=weak, cured=repaired(demo))


def drawn(there: Path, *, healthy: Path, under_biased: Path, weak: Path, cured: Path) -> list[Path]:
    """Draw pages and charts of four visits into a new folder."""
    there.mkdir()
    pictures = [
        audiomeas.report(weak, there / "page-as-found.png"),
        audiomeas.report(cured, there / "page-as-left.png", shop=Path(__file__).parent / "shop.toml"),
        audiomeas.chart(weak, there / "response-of-a-weak-channel.png"),
        audiomeas.overlay([healthy, under_biased, weak], there / "responses-of-three-units.png"),
        audiomeas.overlay([weak, cured], there / "response-before-and-after.png"),
        audiomeas.chart(healthy, there / "spectrum-of-a-healthy-unit.png", name="Distortion at 1 W, 1 kHz"),
        audiomeas.chart(under_biased, there / "spectrum-with-too-little-bias.png", name="Distortion at 1 W, 1 kHz"),
        audiomeas.chart(under_biased, there / "harmonics-with-too-little-bias.png", name="harmonics"),
        audiomeas.chart(healthy, there / "phase.png", name="phase"),
        audiomeas.chart(healthy, there / "harmonics-against-frequency.png", measurement="response", name="harmonics"),
    ]
    for picture in pictures:
        smaller(picture)
    return pictures


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("give one new folder: python examples/make_gallery.py NEW_FOLDER")
    try:
        for made in gallery(Path(sys.argv[1])):
            print(f"{made} {made.stat().st_size / 1000:.0f} kB")
    except AudiomeasError as problem:
        sys.exit(f"make_gallery: {problem}")
