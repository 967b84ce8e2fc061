"""Typical mistakes: each has a name for the class's table and a sentence for the learner.

A task says which wrong answer each of them would lead to; whoever gives that answer is told by name. The first ones
are met in
the homework of ``01_levels_and_meters``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mistake:
    """`label` for tables and pictures, `says` for the learner."""

    label: str
    says: str


MISTAKES = {
    "ten_for_twenty": Mistake(
        "10·log for 20·log",
        "That is 10·log₁₀ of it. Samples are amplitudes, and those take 20·log₁₀; 10·log₁₀ is for powers.",
    ),
    "twenty_for_ten": Mistake(
        "20·log for 10·log", "That is 20·log₁₀ of it. A mean of squares is a power, and powers take 10·log₁₀."
    ),
    "sign": Mistake("wrong sign", "The size is right and the sign is not: which way does the level move?"),
    "reduction_as_gain": Mistake(
        "reduction counted as gain",
        "Right in size. A reduction is counted as a positive number of decibels that go away.",
    ),
    "slope_for_ratio": Mistake(
        "slope for ratio",
        "That is what the ratio lets through: excess ÷ ratio. What goes is the rest, excess × (1 − 1/ratio).",
    ),
    "ratio_for_slope": Mistake(
        "ratio for slope",
        "That multiplies the excess by the ratio. The ratio divides: of so many decibels one may stay.",
    ),
    "no_threshold": Mistake(
        "threshold left out", "The ratio counts only what lies over the threshold. Take the threshold off first."
    ),
    "below_threshold": Mistake(
        "acts below the threshold", "Below the threshold nothing goes; the excess is never negative."
    ),
    "output_for_reduction": Mistake(
        "output level for reduction", "That is the level that comes out. Asked is how many decibels go away."
    ),
    "seconds_for_ms": Mistake(
        "seconds for milliseconds", "That fits in seconds. The answer is asked in milliseconds: 1 s is 1000 ms."
    ),
    "ms_for_seconds": Mistake(
        "milliseconds for seconds", "That fits in milliseconds. The answer is asked in seconds: 1000 ms are 1 s."
    ),
    "inverted": Mistake(
        "turned the wrong way",
        "The factor is right and went the wrong way: multiply where you divided, or the other way round.",
    ),
    "linear_share": Mistake(
        "straight line for a curve",
        "A time constant is no straight line: the curve is steep at first, so 90 % takes 2.303 of them.",
    ),
    "swapped_times": Mistake(
        "attack and release swapped", "Attack and release are swapped: attack is for a demand that rises."
    ),
    "no_memory": Mistake(
        "no smoothing", "That jumps to the demand at once. The reduction keeps a part of its old value in each step."
    ),
    "no_root": Mistake(
        "root left out",
        "The root is missing: RMS is the root of the mean square, so 20·log₁₀ of the "
        "mean square is twice too far down.",
    ),
    "mean_for_rms": Mistake(
        "mean of magnitudes for RMS", "That averages the magnitudes. RMS squares first, averages, and takes the root."
    ),
    "peak_for_loudness": Mistake(
        "matched by peak", "That brings the peak to the figure. Asked is the loudness: a peak tells nothing about it."
    ),
    "forgot_to_match": Mistake(
        "loudness not matched",
        "The rest is met; what changed besides is the loudness. Bring it back with make-up gain, or compress less.",
    ),
    "threshold_above_peaks": Mistake(
        "threshold above every peak",
        "Nothing happens at all: the threshold lies above every peak. Compare it with the peak level.",
    ),
    "never_lets_go": Mistake(
        "threshold far too low", "The reduction never lets go. Raise the threshold until islands are left."
    ),
    "crest_added": Mistake(
        "crest factor added", "The crest factor is peak minus RMS: RMS lies below the peak by as much."
    ),
    "gain_left_out": Mistake("gain left out", "The gain has not been counted in: it moves peak and RMS alike."),
    "peak_only": Mistake(
        "loudest taken for the mistake",
        "That is the loudest one by its peak. Look at what a compressor changes: the crest factor.",
    ),
    "feedback_left_out": Mistake(
        "detector taken to be in front",
        "That is a detector in front of the gain. A FET's sits "
        "behind it, hears what is left, and so grips as many times faster as the ratio says.",
    ),
    "forward_curve": Mistake(
        "curve for the input, used on the output",
        "It hears the output but asks by the curve for an "
        "input: of what comes out over the threshold, ratio − 1 times as much has to have gone.",
    ),
    "not_folded": Mistake(
        "not folded back", "No sample rate holds that frequency: what lies over half the rate folds back."
    ),
    "folded_at_half": Mistake(
        "counted from half the rate",
        "That counts from half the rate. What folds back lands at its distance from the rate itself.",
    ),
    "worked_too_hard": Mistake(
        "far too much reduction",
        "That holds the voice down all the time. Raise the threshold until "
        "the middle of the reduction is where it was asked.",
    ),
    "starts_shaved": Mistake(
        "attack too short in effect",
        "The starts of the words are still shaved off: divide the attack by the ratio to see how fast it really grips.",
    ),
    "lowest_note_missed": Mistake(
        "not the lowest note", "The low cut has to spare the lowest note, wherever it stands in the melody."
    ),
    "corner_on_the_note": Mistake(
        "corner on the note itself",
        "At its corner a high-pass takes 3 dB already. The corner has "
        "to lie below the note by as much as the loss that is allowed.",
    ),
    "order_not_doubled": Mistake("half the slope", "In that formula the frequency ratio goes with twice the order."),
    "amplitudes_added": Mistake(
        "amplitudes added",
        "That adds amplitudes, as for two equal waves. A thump and a vowel have "
        "nothing in common, so their powers add.",
    ),
    "loudest_alone": Mistake(
        "vowel left out of the sum", "That counts the thump alone. The detector hears it together with the vowel."
    ),
    "whole_reduction": Mistake(
        "all of the reduction counted",
        "That is all of the reduction. What the thump costs is what comes on top of the vowel's own.",
    ),
    "into_the_voice": Mistake(
        "low cut in the voice",
        "The thumps are gone, and the body of the voice with them: come down with the corner, and be steeper instead.",
    ),
    "lisps": Mistake(
        "de-esser far too low", "It is at work far beyond the sharp sounds: that lisps. Raise its threshold."
    ),
    "makeup_tells_apart": Mistake(
        "make-up gain in the distance",
        "Make-up gain lifts both words alike, so it changes nothing about how far they lie apart.",
    ),
    "reduction_for_rest": Mistake("reduction for what is left", "That is what goes away. Asked is what is left."),
    "untouched_distance": Mistake(
        "ratio left out", "So far apart they went in. The loud one is over the threshold and comes down."
    ),
    "makeup_by_median": Mistake(
        "make-up by the median",
        "That is the median of the reduction. Loudness counts the loud words most: measure how much of it was lost.",
    ),
    "makeup_by_largest": Mistake(
        "make-up by the largest reduction",
        "That is the largest reduction, of one moment. Measure how much loudness was lost.",
    ),
    "peaks_for_steady": Mistake(
        "set for peaks",
        "It acts in moments, as peak control does. A steady compressor has its threshold under the words.",
    ),
    "all_wet": Mistake(
        "nothing mixed back",
        "That is all squashed and nothing else. Turn the mix down, so that a share of the untouched voice stays.",
    ),
    "hardly_mixed": Mistake(
        "hardly anything mixed in",
        "That is nearly the untouched voice: whatever the compressor does "
        "there, little of it is heard. Turn the mix up.",
    ),
    "decibels_mixed": Mistake(
        "decibels averaged",
        "That goes half the decibels for half the way. What is mixed or faded "
        "is amplitudes; make decibels of the result.",
    ),
    "mix_swapped": Mistake("shares swapped", "The two shares are swapped: a mix of 1 is all compressed."),
    "dry_left_out": Mistake(
        "untouched share left out", "That is the compressed path alone. The untouched share adds to it."
    ),
    "arrived_in_full": Mistake(
        "reduction taken as complete",
        "That takes the reduction to be complete later in the "
        "note. After "
        "so slow an attack a part is lacking there, too.",
    ),
    "beat_for_note": Mistake(
        "another note value",
        "That is the distance of another note value: an eighth lasts half a beat, a quarter a whole one.",
    ),
    "gone_for_left": Mistake(
        "what is gone for what is left", "That takes for left what should be gone. exp(−t/τ) is the part that is left."
    ),
    "begin_left_out": Mistake(
        "counted from the clip's start", "That counts from the start of the samples. The note begins later."
    ),
    "peak_for_rms": Mistake("peak for RMS", "That compares the largest samples. Asked is RMS: square, mean, root."),
    "beginnings_caught": Mistake(
        "beginnings caught",
        "The crest factor falls: so fast an attack catches the beginnings themselves. Let them through.",
    ),
    "release_too_long": Mistake(
        "release too long", "The reduction is still there when the next word begins. A shorter release lets go of it."
    ),
    "left_to_the_compressor": Mistake(
        "word left to the compressor",
        "The loud word still stands there when it reaches the "
        "compressor for peaks, which then has to do in an instant what a gain by hand does unheard.",
    ),
    "wrong_word": Mistake(
        "another word levelled",
        "The word that stands out is still there, and another one was turned: "
        "look again where the level jumps, and check the start and the end of the region.",
    ),
    "last_gain_left_out": Mistake(
        "last gain left out",
        "All stages do their work. What is missing is the gain at the end, "
        "which brings the result to the loudness that was asked.",
    ),
    "trim_left_out": Mistake(
        "trim left out",
        "The trim in front has gone, so the voice arrives at another level: the threshold has to move by as much.",
    ),
    "share_for_percent": Mistake(
        "share for percent", "That is the share itself. In percent it is a hundred times that."
    ),
    "exactly_that_many": Mistake(
        "exactly that many", "That counts exactly so many right. Guessing that comes out better still counts as well."
    ),
    "both_sides": Mistake("both sides counted", "That is twice it: so few right is counted along with so many."),
    "share_right": Mistake("share right for chance", "That is the share of right answers, and no probability."),
    "margin_left_out": Mistake(
        "margin left out", "The deepest phrase may stay 3 LU below; only what is beyond has to come up."
    ),
    "fader_alone": Mistake(
        "fader's way alone", "That is how far the fader goes up. Asked is where the highest phrase ends."
    ),
    "fader_left_out": Mistake("fader left out", "That is where the phrase lay before. The fader takes it along."),
    "pauses_counted": Mistake("pauses counted", "That counts the pauses, too. Nobody sinks who doesn't sing."),
    "balance_left_out": Mistake(
        "balance left out",
        "That takes vocal and band to be equally loud. The balance was set by ear: take it off first.",
    ),
    "either_side": Mistake("sticking out counted", "That counts the moments in which it sticks out as well."),
    "symptom_for_cause": Mistake(
        "effect for cause", "That is an effect. Look for the cause that brings it about, and the other numbers with it."
    ),
    "reduction_for_excess": Mistake(
        "reduction taken for excess",
        "That leaves as much over the threshold as may go. Of "
        "each decibel over it only 1 − 1/ratio goes, so more may be left.",
    ),
    "equal_power_fade": Mistake(
        "equal power for equal gain",
        "That is an equal-power fade, for two different sounds. Here both sides are the same sound.",
    ),
    "all_turned_down": Mistake(
        "a whole stretch turned down",
        "The compressor works less because a whole stretch is softer. Turn down the word, not what is around it.",
    ),
    "every_word_levelled": Mistake(
        "every word levelled",
        "That puts all words in a row. Only what stands out by more than the threshold gets a gain.",
    ),
    "soft_words_too": Mistake("soft words levelled", "That lifts the soft words as well, which are meant to be soft."),
    "mean_for_median": Mistake(
        "mean for median", "That compares with the mean, which a single shouted word lifts. Asked is the median."
    ),
    "tall_for_loud": Mistake(
        "tall taken for loud", "The word is tall, not loud: a peak that is over before it is heard as loudness."
    ),
    "words_for_line": Mistake(
        "words for a line", "All of its words lie low. Whoever begins with words mends the same thing many times over."
    ),
}
"""All mistakes that tasks can name."""
