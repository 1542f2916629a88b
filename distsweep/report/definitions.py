"""What the words mean: the page's definitions, one plain sentence or two a word."""

from __future__ import annotations

from distsweep.analysis.noise.certainty import RELIABLE_DB, SEEN_DB
from distsweep.analysis.noise.interval import RELIABLE_HALF_WIDTH_DB
from distsweep.report.content import Block, Section, Terms
from distsweep.report.distortion import impulses
from distsweep.results import Results

DEFINITIONS = [
    ("dBFS", "Level re the RMS of a full-scale sine: a sine of peak 1.0 is 0 dBFS."),
    ("dB SPL", "RMS sound pressure re 20 µPa. Without a calibration levels stay in dBFS."),
    ("Take", "One recording of one stimulus at one position. “Partial”: its capture ended early."),
    ("Position", "Where the microphone stood, in the tester's words; “axis” is the one that "
                 "levels are quoted at."),
    ("Ladder", "The same sweep, played at rising levels."),
    ("Rung", "One level of a ladder."),
    ("Return rung", "The ladder's first rung, played once more after the last; the return check, "
                    "its level minus the first's, tells whether anything changed on the way."),
    ("Reference rung", "The rung that gain changes are counted from: the lowest that did not clip "
                       "and whose fundamental is reliable at 95 % of the frequencies that a level "
                       "is averaged over."),
    ("Staircase", "Bursts of a tone, stepped up in level and then down, at one frequency after "
                  "another."),
    ("Drive", "Level of the stimulus's sine as played, in dBFS; where a recipe reduces it at low "
              "frequencies, its level above them."),
    ("Excitation frequency", "The frequency that was played. Harmonic n of it is heard at n times "
                             "that, and drawn at the excitation frequency, unless the axis says "
                             "“frequency heard”."),
    ("Harmonic level", "20·log10 of the harmonic's pressure over the fundamental's, at the same "
                       "excitation frequency."),
    ("Input-referred", "Of a harmonic level: with the loudspeaker's linear response between the "
                       "frequency played and the one heard divided out, as it would be were the "
                       "response flat."),
    ("THD", "Root of the summed squares of harmonics 2, 3 … that lie inside the measured band, "
            "over the fundamental. The tables in CSV also give it re total RMS (IEC 60268-3), "
            "which never exceeds 100 %."),
    ("Floor", "The RMS level that background noise, rounding in the recording and the method's "
              "own error would show in the same place, were there nothing else."),
    ("Interval", "What a value lies between with a confidence of 95 %: background noise, whose "
                 "expected power is taken off every level, and a sweep too fast for what answers "
                 "late are counted in. Where its low end is nothing the value is “at most” the "
                 "high end: the distortion is hidden, not low."),
    ("Average", "The mean power over 1/12, 1/6 or 1/3 octave, which noise moves less than it "
                "moves a single frequency. A narrow peak is lower and broader in it."),
    ("Reliable", f"The interval reaches no farther than {RELIABLE_HALF_WIDTH_DB:g} dB to either "
                 "side, nothing was clipped there, and the window resolves it. In results without "
                 f"intervals: at least {RELIABLE_DB:g} dB above its floor."),
    ("Uncertain", "The interval is wider than that, but its low end is not nothing: something is "
                  "there, and noise may have moved its level by several decibels. Drawn thin or "
                  "pale, as an average over neighbours; never in the summary as a value. In "
                  f"results without intervals: {SEEN_DB:g} to {RELIABLE_DB:g} dB above the floor, "
                  "drawn pale, where one value in some fifty near the lower end is noise alone."),
    ("In the noise", "The low end of the interval is nothing (in results without intervals: less "
                     f"than {SEEN_DB:g} dB above the floor). It is hidden, not low, and not drawn; "
                     "the table says what it is at most."),
    ("Gain change", "Output level minus drive, less the same at the reference rung (of a "
                    "staircase: at the lowest drive whose level is reliable); negative means "
                    "compression."),
    ("Onset", "The drive at which the gain change reaches −0.5 dB, interpolated between the "
              "levels played."),
    ("Highest clean level", "The highest output level that keeps within a limit of THD, of "
                            "compression, or of both, such as 1 % THD or 1 dB of compression, "
                            "whichever comes first."),
    ("Peak", "What stands out of a curve and is narrow: its height is counted from its "
             "surroundings. The peak level of a recording is its largest sample."),
    ("Product", "What a nonlinearity adds to the tone that is played: here, a harmonic."),
    ("Radiated", "Said of a resonance that follows the frequency heard: it lifts every product "
                 "that lands on its own frequency."),
    ("Excited", "Said of a resonance that follows the frequency played: it is set off when its "
                "own frequency is played."),
    ("Growth", "By how many decibels a harmonic, re the fundamental, rises with each dB of drive; "
               "of the harmonic n, mild nonlinearity makes n − 1."),
    ("Confidence", "The share of real ones among simulated candidates of the same standing."),
]  # fmt: skip
"""Pairs of a word and its meaning, in the order of the work."""


_OF_DAMAGE = [
    ("Damage", "What the recording holds and the loudspeaker did not do: a knock, a gap, a gain "
               "that moved."),
    ("Bridged", "Said of values during which the recording held nothing of use for a moment: they "
                "are what the harmonics around that moment say."),
]  # fmt: skip
_OF_IMPULSES = [
    ("Impulsive distortion", "Short impulses beyond the separated harmonics that come at the same "
                             "frequency played at several levels (IEC 60268-21)."),
]  # fmt: skip


_OF_LOOPBACKS = [
    ("Interface, at most", "What the interface itself may have in a value: the harmonics of its "
                           "loop-back, the output wired back to an input, as the loudspeaker "
                           "plays them or as the input makes them, whichever is more. Intervals "
                           "reach that much farther."),
]  # fmt: skip


def definitions(results: Results) -> Section:
    """What the page's words mean; of what few sessions have only where there is any."""
    terms = [*DEFINITIONS]
    terms += _OF_DAMAGE if any(take.damage for take in results.takes) else []
    terms += _OF_IMPULSES if any(impulses.sentences(take) for take in results.takes) else []
    terms += _OF_LOOPBACKS if any(take.loopback for take in results.takes) else []
    line = f"What {len(terms)} words mean here."
    blocks: list[Block] = [Terms(terms, long=True)]
    return Section("Definitions", "definitions", blocks, folded=True, lead=line)
