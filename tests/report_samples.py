"""Invented results of an invented loudspeaker, and a reader of pages, for the report's tests.

The shapes are those of a small vented woofer with a tweeter: distortion that rises towards
low frequencies and with level, a rattle, a radiated resonance, a noise floor. Nothing here
was measured, and nothing here uses the analysis.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import matplotlib.text
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.report.figure_files import Drawing
from distsweep.report.page import device_name, render_page
from distsweep.report.sections import all_sections
from distsweep.results import (
    Background,
    Compression,
    Conditions,
    Damage,
    Device,
    HarmonicCurve,
    RecordedCalibration,
    Results,
    Rung,
    Smoothed,
    SmoothedLevel,
    Take,
    ThdThirdOctave,
    Tone,
    Warning_,
)
from distsweep.results.record import Record

LEVELS_DBFS = (-40.0, -34.0, -28.0, -22.0, -16.0, -10.0, -4.0)
SPL_AT_FULL_SCALE_DB = 102.0
BAND_HZ = (20.0, 20000.0)


def response_db(frequency_hz: Any) -> Any:
    """Linear response re the middle of the band: a fourth-order roll-off at 52 Hz, some ripple."""
    f = np.asarray(frequency_hz, dtype=float)
    low = -10.0 * np.log10(1.0 + (52.0 / f) ** 8)
    high = -10.0 * np.log10(1.0 + (f / 19000.0) ** 6)
    bump = 3.0 * np.exp(-((np.log2(f / 3150.0) / 0.12) ** 2))
    return low + high + bump + 1.2 * np.sin(3.1 * np.log2(f / 40.0)) - 0.8 * np.cos(7 * np.log2(f))


def _sag_db(f: Any, drive_dbfs: float) -> Any:
    over = np.maximum(0.0, drive_dbfs + 14.0)
    return -0.16 * over * (0.25 + 1.4 * np.exp(-((np.log2(f / 75.0) / 0.8) ** 2)))


def _true_harmonic_db(f: Any, order: int, drive_dbfs: float) -> Any:
    growth = (order - 1.0) * (drive_dbfs + 10.0) * (0.75 if order > 3 else 0.95)
    low = 26.0 / (1.0 + (f / 85.0) ** 1.6) - 11.0 * np.exp(-((np.log2(f / 47.0) / 0.3) ** 2))
    rattle = 16.0 * np.exp(-((np.log2(f / 212.0) / 0.03) ** 2)) * (drive_dbfs > -17)
    radiated = 9.0 * np.exp(-((np.log2(order * f / 3150.0) / 0.05) ** 2))
    wander = 2.5 * np.sin(order + (2.3 + order) * np.log2(f))
    tilt = 0.5 * (response_db(order * f) - response_db(f))
    return -50.0 - 5.5 * (order - 2) + growth + low + rattle + radiated + wander + tilt


def sample_rung(
    f: Any,
    drive_dbfs: float,
    *,
    rng: np.random.Generator,
    orders: range,
    noise_db: float = 8.0,
    calibrated: bool = True,
    clipped: bool = False,
    clipped_hz: tuple[float, float] = (0.0, np.inf),
) -> Rung:
    """One rung, with noise that stands ``noise_db`` dB SPL high in each harmonic's window.

    A clipped rung is spoilt between the two ``clipped_hz`` only.
    """
    spoilt = clipped & (f >= clipped_hz[0]) & (f <= clipped_hz[1])
    offset = SPL_AT_FULL_SCALE_DB if calibrated else -12.0
    noise = noise_db if calibrated else noise_db - SPL_AT_FULL_SCALE_DB - 12.0
    fundamental = offset + drive_dbfs + response_db(f) + _sag_db(f, drive_dbfs)
    hiss = noise + 14.0 / (1.0 + f / 60.0)
    harmonics: dict[int, HarmonicCurve] = {}
    power, floor_power, count = np.zeros_like(f), np.zeros_like(f), np.zeros_like(f)
    for order in orders:
        inside = order * f <= BAND_HZ[1]
        floor = noise + 14.0 / (1.0 + order * f / 60.0) - fundamental
        true = _true_harmonic_db(f, order, drive_dbfs)
        grain = rng.exponential(size=f.size)
        level = 10.0 * np.log10(10 ** (true / 10.0) + grain * 10 ** (floor / 10.0))
        level, floor = np.where(inside, level, np.nan), np.where(inside, floor, np.nan)
        clear = np.nan_to_num(level - floor, nan=-1.0) >= RELIABLE_DB
        reliable = inside & clear & ~spoilt
        harmonics[order] = HarmonicCurve(
            level, floor, reliable, level + response_db(f) - response_db(order * f)
        )
        power += np.where(inside, 10 ** (np.nan_to_num(level) / 10.0), 0.0)
        floor_power += np.where(inside, 10 ** (np.nan_to_num(floor) / 10.0), 0.0)
        count += inside
    with np.errstate(divide="ignore", invalid="ignore"):
        thd = np.where(count > 0, 10.0 * np.log10(power), np.nan)
        thd_floor = np.where(count > 0, 10.0 * np.log10(floor_power), np.nan)
    ratio = 10 ** (thd / 20.0)
    return Rung(
        drive_dbfs=drive_dbfs,
        spl_db=offset + drive_dbfs if calibrated else None,
        peak_dbfs=min(0.0, drive_dbfs + 2.5),
        clipped=clipped,
        fundamental_db=fundamental,
        fundamental_floor_db=hiss,
        harmonics=harmonics,
        thd_db=thd,
        thd_percent=100.0 * ratio,
        thd_re_total_percent=100.0 * ratio / np.sqrt(1.0 + ratio**2),
        thd_floor_db=thd_floor,
        thd_reliable=(np.nan_to_num(thd - thd_floor, nan=-1.0) >= RELIABLE_DB) & ~spoilt,
        orders_summed=count.astype(np.int64),
        high_order_db=np.full(f.size, -78.0),
        high_order_floor_db=np.full(f.size, -90.0),
    )  # fmt: skip


def _clear_fundamental(f: Any, rung: Rung, clipped_hz: tuple[float, float]) -> Any:
    """The fundamental with NaN where it is not 25 dB clear or clipped, as the analysis does."""
    clear = rung.fundamental_db - rung.fundamental_floor_db >= RELIABLE_DB
    if rung.clipped:
        clear &= (f < clipped_hz[0]) | (f > clipped_hz[1])
    return np.where(clear, rung.fundamental_db, np.nan)


def sample_take(
    *,
    position: str = "axis",
    levels_dbfs: tuple[float, ...] = LEVELS_DBFS,
    points: int = 480,
    orders: range = range(2, 11),
    band_hz: tuple[float, float] = BAND_HZ,
    calibrated: bool = True,
    noise_db: float = 8.0,
    clipped: tuple[int, ...] = (),
    clipped_hz: tuple[float, float] = (0.0, np.inf),
) -> Take:
    """A ladder take with everything that the contract knows, or less of it."""
    rng = np.random.default_rng(20240607)
    f = np.geomspace(*band_hz, points)
    rungs = [
        sample_rung(f, level, rng=rng, orders=orders, calibrated=calibrated, noise_db=noise_db,
                    clipped=index in clipped, clipped_hz=clipped_hz)
        for index, level in enumerate(levels_dbfs)
    ]  # fmt: skip
    gains = [_clear_fundamental(f, rung, clipped_hz) - rung.drive_dbfs for rung in rungs]
    compression = Compression(
        reference_drive_dbfs=levels_dbfs[0] if levels_dbfs else None,
        gain_change_db=[gain - gains[0] for gain in gains],
        onset_dbfs=np.where(f < 200, -8.0, np.nan),
        drive_at_1db_dbfs=np.where(f < 120, -5.0, np.nan),
        drive_at_3db_dbfs=np.full(f.size, np.nan),
    )
    shift = 0.0 if calibrated else -114.0
    return Take(
        position=position,
        stimulus="ladder-48k.json",
        kind="ladder",
        clock_drift_ppm=3.2,
        level_unit="dB SPL" if calibrated else "dBFS",
        frequency_hz=f,
        band_hz=list(band_hz),
        drive_shape_db=np.zeros(f.size),
        rungs=rungs,
        compression=compression if len(rungs) > 1 else None,
        return_check_db=-0.06,
        background=Background(
            38.4 + shift, 27.1 + shift, [Tone(50.0, 31.2 + shift), Tone(150.0, 22.8 + shift)]
        ),
    )


def alter(record: Record, **values: Any) -> None:
    """Change a sample in place, which no record of an analysis ever is: samples are built up."""
    for name, value in values.items():
        assert hasattr(record, name)
        object.__setattr__(record, name, value)


def with_intervals(take: Take) -> Take:
    """The take with noise taken off each level, intervals of two deviations, and averages.

    Deviations are those of a sum of powers |h + e|² with Gaussian e: √(2·h²σ² + σ⁴).
    """
    for rung in take.rungs:
        fundamental = _freed(rung.fundamental_db, rung.fundamental_floor_db)
        thd = _freed(rung.thd_db, rung.thd_floor_db)
        curves = {n: _freed(c.level_db, c.floor_db) for n, c in rung.harmonics.items()}
        for order, curve in rung.harmonics.items():
            level, low, high = curves[order].ends()
            alter(curve, level_db=level, low_db=low, high_db=high, reliable=curves[order].narrow())
        level, low, high = thd.ends()
        third = thd.averaged(take.frequency_hz, 3)
        middle_hz = NOMINAL_HZ[: third.ends()[0].size]
        alter(rung, thd_db=level, thd_low_db=low, thd_high_db=high, thd_reliable=thd.narrow(),
              thd_percent=100.0 * 10 ** (level / 20.0),
              thd_third_octave=ThdThirdOctave(middle_hz, *third.ends()))  # fmt: skip
        level, low, high = fundamental.ends()
        alter(rung, fundamental_db=level, fundamental_low_db=low, fundamental_high_db=high)
        alter(rung, smoothed=[
            Smoothed(n, bands_hz(take.frequency_hz, n),
                     *(SmoothedLevel(*one.averaged(take.frequency_hz, n).ends())
                       for one in (fundamental, thd)),
                     {order: SmoothedLevel(*curve.averaged(take.frequency_hz, n).ends())
                      for order, curve in curves.items()})
            for n in (12, 6, 3)
        ])  # fmt: skip
    if take.compression is not None:
        changes, first = take.compression.gain_change_db, take.rungs[0]
        low, high = ([gain + sign * _reach(rung, first, sign)
                      for gain, rung in zip(changes, take.rungs, strict=True)]
                     for sign in (-1, 1))  # fmt: skip
        alter(take.compression, gain_change_low_db=low, gain_change_high_db=high)
    return take


def _reach(rung: Rung, first: Rung, sign: int) -> Any:
    """How far a gain change's interval reaches up (1) or down (−1); the first rung's own is 0."""
    if rung is first:
        return np.zeros(rung.fundamental_db.shape)
    ends = {-1: "fundamental_low_db", 1: "fundamental_high_db"}
    with np.errstate(invalid="ignore"):
        own = getattr(rung, ends[sign]) - rung.fundamental_db
        other = getattr(first, ends[-sign]) - first.fundamental_db
    return np.sqrt(own**2 + other**2)


NOMINAL_HZ = np.array([
    20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250,
    1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000,
])  # fmt: skip
"""Thirds of an octave of IEC 61260-1 in the samples' band, of 20 Hz to 20 kHz."""


def bands_hz(frequency_hz: Any, per_octave: int) -> Any:
    """Middles of the bands, from the lowest third of an octave's on."""
    count = (NOMINAL_HZ.size - 1) * per_octave // 3 + 1
    return 10.0 ** (1.3 + 0.3 / per_octave * np.arange(count))


@dataclass
class _Freed:
    """Powers as measured, less the noise's, with their deviations; NaN outside the band."""

    left: Any
    deviation: Any

    def ends(self) -> Any:
        powers = np.maximum([self.left + k * self.deviation for k in (0.0, -2.0, 2.0)], 0.0)
        with np.errstate(divide="ignore"):
            return np.where(np.isnan(self.left), np.nan, 10.0 * np.log10(powers))

    def narrow(self) -> Any:
        _, low, high = self.ends()
        with np.errstate(invalid="ignore"):
            return high - low <= 3.0

    def averaged(self, frequency_hz: Any, per_octave: int) -> _Freed:
        middle_hz = bands_hz(frequency_hz, per_octave)
        near = np.argmin(np.abs(np.log(frequency_hz / middle_hz[:, None])), axis=0)
        parts = [(self.left[near == k], self.deviation[near == k]) for k in range(len(middle_hz))]
        means = [
            (np.mean(left), np.sqrt(np.mean(deviation**2) / max(1.0, len(left) / 3.0)))
            if len(left) and np.isfinite(left).all()
            else (np.nan, np.nan)
            for left, deviation in parts
        ]
        return _Freed(*np.array(means).T)


def _freed(level_db: Any, floor_db: Any) -> _Freed:
    power, noise = 10 ** (level_db / 10.0), 10 ** (floor_db / 10.0)
    left = power - noise
    return _Freed(left, np.sqrt(2.0 * np.maximum(left, 0.0) * noise + noise**2))


DAMAGE = [
    *(Damage("click", 3.0 + 0.4 * k, 3.0 + 0.4 * k, rung=3, low_hz=90.0 * 1.6**k,
             high_hz=96.0 * 1.6**k, recording="axis.wav") for k in range(9)),
    Damage("knock", 14.1, 14.4, rung=5, low_hz=250.0, high_hz=330.0, recording="axis.wav"),
    Damage("muted", 71.2, 71.21, rung=6, low_hz=980.0, high_hz=1080.0, samples=512, bridged=True,
           recording="axis.wav"),
    Damage("lost", 74.9, 74.9, rung=6, low_hz=5200.0, high_hz=5900.0, samples=1024,
           recording="axis.wav"),
    Damage("gain_step", 66.0, 66.0, rung=5, low_hz=2100.0, high_hz=20000.0, change_db=-3.0,
           recording="axis.wav"),
    Damage("lost", 62.0, 62.0, samples=64, recording="axis.wav"),
    Damage("lossy", 0.0, 80.0, recording="axis.wav"),
]  # fmt: skip
"""What may happen to a recording of the samples' ladder; the last two touch no rung's values."""


def with_impulses(take: Take) -> Take:
    """The take with impulses of the loudspeaker from 62 to 71 Hz in its three loudest rungs."""
    inside = (take.frequency_hz >= 62.0) & (take.frequency_hz <= 71.0)
    for place, rung in enumerate(take.rungs):
        level_db = -44.0 + 4.0 * (place - len(take.rungs))
        there = inside & (place >= len(take.rungs) - 3)
        alter(rung, impulsive_db=np.where(there, level_db, np.nan))
    return take


def all_unreliable(take: Take) -> Take:
    """The take, with every value 1 dB above its floor: noise."""
    for rung in take.rungs:
        alter(rung, fundamental_floor_db=rung.fundamental_db - 1.0, thd_floor_db=rung.thd_db - 1.0)
        rung.thd_reliable[:] = False
        for curve in rung.harmonics.values():
            curve.reliable[:] = False
            alter(curve, floor_db=curve.level_db - 1.0)
    if take.compression is not None:
        for gain in take.compression.gain_change_db:
            gain[:] = np.nan
    return take


def sample_results(*takes: Take, name: str = "Brindlemoor Tarnbick 4", **changes: Any) -> Results:
    """Results of one session; without takes, of the plain sample take."""
    takes = takes or (sample_take(),)
    calibrated = takes[0].level_unit == "dB SPL"
    calibration = RecordedCalibration(11.2, mic_correction="mic.txt")
    values: dict[str, Any] = {
        "device": Device(name, (180, 240, 150), {"length": 120, "diameter": 45}),
        "conditions": Conditions(20.5, 1.0, 2.5, (300, 3000)),
        "calibration": calibration if calibrated else RecordedCalibration(),
        "takes": list(takes),
        "resonances": [],
        "background": None,
        "warnings": [Warning_("hum", "Mains hum stands 7 dB above the noise beside it.",
                              take="axis", frequency_hz=50.0)],
    }  # fmt: skip
    return Results(**(values | changes))


VOID = {"meta", "link", "br", "img", "hr", "input", "path", "use"}


@dataclass
class Page(HTMLParser):
    """What a page holds: tags, attributes, text by the heading it stands under, tables."""

    text: str = ""
    headings: list[tuple[str, str]] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    events: list[str] = field(default_factory=list)
    tables: list[list[list[str]]] = field(default_factory=list)
    open_tags: list[str] = field(default_factory=list)
    title: str = ""

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(str(value))
            if name in ("href", "src", "xlink:href", "srcset", "action", "data"):
                self.links.append(str(value))
            if name.startswith("on"):
                self.events.append(name)
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append((tag, ""))
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("th", "td"):
            self.tables[-1][-1].append("")
        if tag not in VOID:
            self.open_tags.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open_tags.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open_tags.pop() == tag

    def handle_data(self, data: str) -> None:
        data = data.replace("\N{NO-BREAK SPACE}", " ")
        inside = self.open_tags[-1] if self.open_tags else ""
        if inside in ("style", "script"):
            return
        if inside == "title":
            self.title += data
        self.text += data
        if inside in ("h1", "h2", "h3", "h4"):
            tag, words = self.headings[-1]
            self.headings[-1] = (tag, words + data)
        if inside in ("th", "td", "small"):
            self.tables[-1][-1][-1] += (" | " if inside == "small" else "") + data


def read_page(path: Path) -> Page:
    page = Page()
    page.feed(path.read_text(encoding="utf-8"))
    page.close()
    assert page.open_tags == []
    return page


def words_of(results: Results) -> Page:
    """The page without its figures, for tests of its words alone."""
    page = Page()
    drawings = defaultdict(lambda: Drawing("", "", ""))
    page.feed(render_page(device_name(results), all_sections(results), drawings))
    page.close()
    return page


def main_axes(figure: Figure) -> Axes:
    return figure.axes[0]


def rung_lines(axes: Axes) -> list[Line2D]:
    """Lines of what is reliable, one a rung."""
    labels = [(line, str(line.get_label())) for line in axes.get_lines()]
    return [line for line, label in labels if label.endswith("dBFS") and label[0] != "_"]


def uncertain_lines(axes: Axes) -> list[Line2D]:
    return [line for line in axes.get_lines() if str(line.get_label()).startswith("_uncertain")]


def drawn(line: Line2D) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    return np.flatnonzero(np.isfinite(line.get_ydata()))


def luminance(colour: Any) -> float:
    return float(np.dot(to_rgb(colour), (0.2126, 0.7152, 0.0722)))


def labelled(axes: Axes, label: str) -> list[Line2D]:
    return [line for line in axes.get_lines() if line.get_label() == label]


def drawn_labels(axis: Axis) -> list[Text]:
    """Names of an axis's ticks that are drawn, once a figure was."""
    low, high = sorted(axis.get_view_interval())
    labels = [
        label
        for tick in axis.get_major_ticks()
        if low - 1e-6 <= tick.get_loc() <= high + 1e-6
        for label in (tick.label1, tick.label2)
    ]
    return [label for label in labels if axis.get_visible() and label.get_visible()]


def drawn_texts(figure: Figure, axis: Axis) -> list[str]:
    """Words of an axis's ticks that are drawn."""
    figure.canvas.draw()
    return [label.get_text() for label in drawn_labels(axis)]


def words(figure: Figure) -> str:
    return "\n".join(text.get_text() for text in figure.findobj(matplotlib.text.Text))


def tags_of(figure: Figure) -> list[Any]:
    return [t for t in main_axes(figure).texts if str(t.get_label()).startswith("_tag")]
