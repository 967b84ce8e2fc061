"""Typical mistakes: each has a label for the class's table and a sentence for the learner.

A task lists the wrong answers that each of them leads to, so an answer that shows one can be told which it is.
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
        "You took 10·log₁₀. Samples are amplitudes, and amplitudes take 20·log₁₀; 10·log₁₀ is for powers.",
    ),
    "twenty_for_ten": Mistake(
        "20·log for 10·log", "You took 20·log₁₀. A mean of squares is a power, and powers take 10·log₁₀."
    ),
    "sign": Mistake("wrong sign", "The size is right, the sign is not: which way does the level move?"),
    "reduction_as_gain": Mistake(
        "reduction given as a gain", "The size is right. But a reduction is a positive number: the decibels taken off."
    ),
    "slope_for_ratio": Mistake(
        "slope for ratio",
        "That is the part the ratio lets through: excess ÷ ratio. The rest is taken off, excess × (1 − 1/ratio).",
    ),
    "ratio_for_slope": Mistake(
        "ratio for slope",
        "You multiplied the excess by the ratio. The ratio divides: at 4:1, one of four decibels over the threshold "
        "stays.",
    ),
    "no_threshold": Mistake(
        "threshold left out", "The ratio only acts on what is over the threshold. Subtract the threshold first."
    ),
    "below_threshold": Mistake(
        "acts below the threshold", "Below the threshold nothing is taken off: the excess is never negative."
    ),
    "output_for_reduction": Mistake(
        "output level for reduction",
        "That is the level that comes out. The question is how many decibels are taken off.",
    ),
    "seconds_for_ms": Mistake(
        "seconds for milliseconds", "That would be right in seconds. Give milliseconds: 1 s is 1000 ms."
    ),
    "ms_for_seconds": Mistake(
        "milliseconds for seconds", "That would be right in milliseconds. Give seconds: 1000 ms are 1 s."
    ),
    "inverted": Mistake(
        "turned the wrong way",
        "You have the right factor the wrong way round: multiply where you divided, or divide where you multiplied.",
    ),
    "linear_share": Mistake(
        "straight line for a curve",
        "You took a straight line. With a time constant the curve is steep at first and then flattens: 90 % takes 2.303 "
        "of them.",
    ),
    "no_memory": Mistake(
        "no smoothing", "That jumps to the demand at once. At each step, the reduction keeps part of its old value."
    ),
    "no_root": Mistake(
        "root left out",
        "The root is missing. RMS is the root of the mean square; 20·log₁₀ of the mean square itself gives twice the "
        "decibels.",
    ),
    "mean_for_rms": Mistake(
        "mean of magnitudes for RMS",
        "That averages the magnitudes. RMS squares first, then averages, then takes the root.",
    ),
    "peak_for_loudness": Mistake(
        "matched by peak",
        "That brings the peak to the target. The target is for loudness, and a peak says little about it.",
    ),
    "forgot_to_match": Mistake(
        "loudness not matched",
        "Everything else is met, but the loudness changed. Bring it back with make-up gain, or compress less.",
    ),
    "threshold_above_peaks": Mistake(
        "threshold above every peak",
        "Nothing happens at all: the threshold is above every peak. Compare it with the peak level.",
    ),
    "never_lets_go": Mistake(
        "threshold far too low",
        "The reduction never lets go. Raise the threshold until only islands of reduction are left.",
    ),
    "crest_added": Mistake(
        "crest factor added", "You added the crest factor. It is peak minus RMS, so RMS is that much below the peak."
    ),
    "gain_left_out": Mistake("gain left out", "You left out the gain: it moves peak and RMS alike."),
    "peak_only": Mistake(
        "went by the highest peak",
        "That is the one with the highest peak. Look at what a compressor changes: the crest factor.",
    ),
    "feedback_left_out": Mistake(
        "detector taken to be in front",
        "You took the detector to be in front of the gain. A FET's comes after it, hears what is left, and so grips "
        "faster by a factor of the ratio.",
    ),
    "forward_curve": Mistake(
        "input's curve used on the output",
        "It hears the output but uses the curve for an input. For every decibel that comes out over the threshold, "
        "ratio − 1 decibels must have been taken off.",
    ),
    "worked_too_hard": Mistake(
        "far too much reduction",
        "That holds the voice down all the time. Raise the threshold until the median reduction is where it should be.",
    ),
    "starts_shaved": Mistake(
        "attack too short in effect",
        "It still shaves off the starts of the words: divide the attack by the ratio to see how fast it really grips.",
    ),
    "lowest_note_missed": Mistake(
        "not the lowest note", "The low cut has to spare the lowest note, wherever in the melody that is."
    ),
    "corner_on_the_note": Mistake(
        "corner on the note itself",
        "A high-pass already takes 3 dB off at its corner. To take less off the note, put the corner below it.",
    ),
    "order_not_doubled": Mistake(
        "half the slope", "In that formula the frequency ratio is raised to twice the order, not to the order."
    ),
    "amplitudes_added": Mistake(
        "amplitudes added",
        "You added amplitudes, as if the two were the same wave. A thump and a vowel are unrelated sounds, so their "
        "powers add.",
    ),
    "loudest_alone": Mistake(
        "vowel left out of the sum", "That counts the thump alone. The detector hears the thump and the vowel together."
    ),
    "whole_reduction": Mistake(
        "all of the reduction counted",
        "That is all of the reduction. The thump only costs what it adds to the reduction for the vowel.",
    ),
    "into_the_voice": Mistake(
        "low cut in the voice",
        "The thumps are gone, but so is the body of the voice. Lower the corner, and use a steeper filter instead.",
    ),
    "lisps": Mistake(
        "de-esser far too low", "It acts on far more than the sharp sounds, and the voice lisps. Raise its threshold."
    ),
    "makeup_tells_apart": Mistake(
        "make-up gain in the distance",
        "Make-up gain lifts both words alike, so the distance between them stays the same.",
    ),
    "reduction_for_rest": Mistake(
        "reduction for what is left", "That is what is taken off. The question is what is left."
    ),
    "untouched_distance": Mistake(
        "ratio left out", "That is how far apart they went in. The loud one is over the threshold, so it comes down."
    ),
    "makeup_by_median": Mistake(
        "make-up by the median",
        "That is the median of the reduction. Loud words count most in loudness: measure how much loudness was lost.",
    ),
    "makeup_by_largest": Mistake(
        "make-up by the largest reduction",
        "That is the largest reduction, at a single moment. Measure how much loudness was lost.",
    ),
    "peaks_for_steady": Mistake(
        "set for peaks",
        "It only acts now and then, like peak control. For steady compression the threshold goes below the words.",
    ),
    "all_wet": Mistake(
        "nothing mixed back",
        "That is all squashed and nothing else. Turn the mix down, so some of the dry voice stays.",
    ),
    "hardly_mixed": Mistake(
        "hardly anything mixed in",
        "That is nearly all dry voice: whatever the compressor does, you hear little of it. Turn the mix up.",
    ),
    "decibels_mixed": Mistake(
        "decibels averaged",
        "You averaged decibels. Here it is amplitudes that add up; turn the result into decibels at the end.",
    ),
    "mix_swapped": Mistake("shares swapped", "The two shares are swapped: a mix of 1 is all compressed."),
    "dry_left_out": Mistake("dry share left out", "That is the compressed path alone. The dry share adds to it."),
    "arrived_in_full": Mistake(
        "reduction taken as complete",
        "You took the reduction to be complete by then. With so slow an attack, some of it is still missing later in the "
        "note.",
    ),
    "beat_for_note": Mistake(
        "another note value",
        "That is the distance for another note value: a quarter lasts a whole beat, an eighth half a beat.",
    ),
    "gone_for_left": Mistake(
        "what is gone for what is left",
        "You took the part that is gone for the part that is left. exp(−t/τ) is what is left.",
    ),
    "begin_left_out": Mistake(
        "counted from the clip's start", "You counted from the first sample. The note begins later."
    ),
    "peak_for_rms": Mistake(
        "peak for RMS", "You compared the largest samples. The question is about RMS: square, mean, root."
    ),
    "flattest_for_best": Mistake(
        "smallest spread taken for best",
        "That is the version in which every word is equally loud. Level prep undoes faults, and small words are none.",
    ),
    "flattened": Mistake(
        "words flattened",
        "It takes the beginnings of the words off along with the rest. Let them through: a slower attack, a lower ratio.",
    ),
    "late_for_peaks": Mistake(
        "attack too slow for peaks",
        "The spikes are over before the reduction arrives, however low the threshold. Shorten the attack first.",
    ),
    "beginnings_caught": Mistake(
        "starts of notes caught",
        "An attack this fast catches the beginnings of the notes along with the rest. Let them through.",
    ),
    "release_too_long": Mistake(
        "release too long", "The reduction is still there when the next word begins. With a shorter release it lets go."
    ),
    "left_to_the_compressor": Mistake(
        "word left to the compressor",
        "The loud word still stands out when it reaches the peak compressor, which then has to do in an instant what a "
        "gain set by hand does unnoticed.",
    ),
    "wrong_word": Mistake(
        "another word levelled",
        "The word still stands out, and you turned another one down: look again at where the level jumps, and check "
        "where the region starts and ends.",
    ),
    "last_gain_left_out": Mistake(
        "last gain left out",
        "All the stages do their work. What is missing is the gain at the end that brings the result to the target "
        "loudness.",
    ),
    "trim_left_out": Mistake(
        "trim left out",
        "The trim in front is gone, so the voice arrives at another level: the threshold has to move with it.",
    ),
    "share_for_percent": Mistake("share for percent", "That is a share. As a percentage it is a hundred times that."),
    "exactly_that_many": Mistake(
        "exactly that many", "That counts exactly that many right. Guesses that do even better count as well."
    ),
    "both_sides": Mistake(
        "both sides counted", "That is twice as much: it also counts results that are as far off the other way."
    ),
    "share_right": Mistake(
        "share right for chance", "That is the share of right answers, not the probability of getting them by guessing."
    ),
    "margin_left_out": Mistake(
        "margin left out", "The deepest phrase may stay 3 LU below; only the rest has to be made up."
    ),
    "fader_alone": Mistake(
        "the fader's move alone", "That is how far the fader goes up. The question is where the highest phrase ends up."
    ),
    "fader_left_out": Mistake("fader left out", "That is where the phrase was before. The fader takes it along."),
    "pauses_counted": Mistake("pauses counted", "You counted the pauses too. A vocal can't sink while nobody sings."),
    "balance_left_out": Mistake(
        "balance left out",
        "You took vocal and band to be equally loud. The balance was set by ear: subtract it first.",
    ),
    "either_side": Mistake("sticking out counted", "You also counted the moments when the vocal sticks out."),
    "symptom_for_cause": Mistake(
        "effect for cause", "That is an effect. Look for the cause that explains it, and the other numbers with it."
    ),
    "reduction_for_excess": Mistake(
        "reduction taken for excess",
        "You left as much over the threshold as may be taken off. Of each decibel over it only 1 − 1/ratio is taken off, "
        "so more may be left.",
    ),
    "all_turned_down": Mistake(
        "a whole stretch turned down",
        "The compressor works less because a whole stretch is softer. Turn down the word, not everything around it.",
    ),
    "every_word_levelled": Mistake(
        "every word levelled",
        "That brings every word to the same level. Only a word over the threshold gets a gain.",
    ),
    "all_of_it": Mistake(
        "part left out",
        "You took off all of it. The task asks for a part of it, and for no more than so many decibels.",
    ),
    "start_left_in": Mistake("start left in", "You measured everything. The start was to be left out."),
    "slide_left_out": Mistake("slide left out", "You went by the note itself. The slide into it begins lower."),
    "more_than_needed": Mistake(
        "more low cut than needed",
        "The thumps are gone, and with them more than had to go. Lower the corner until a trace of reduction is left.",
    ),
    "pad_left_out": Mistake("pad left out", "The detector hears through a pad: what it hears is softer by that much."),
    "natural_log": Mistake(
        "natural logarithm", "That is `math.log`, the natural logarithm. Decibels take `math.log10`."
    ),
    "ones_as_places": Mistake(
        "ones and zeros as places",
        "A list of ones and zeros as an index picks the first and the second value, again and again. Make it true and false "
        "first: `np.array(sung) == 1`.",
    ),
    "limit_left_out": Mistake("limit left out", "The rule is right, but the most that it may come to was left out."),
    "reference_left_out": Mistake(
        "other reference", "That is against full scale. The task counts from another level, so a constant is missing."
    ),
    "makeup_left_out": Mistake("make-up gain left out", "That is without the make-up gain of the compressed path."),
    "makeup_on_blend": Mistake(
        "make-up gain on both paths", "You added the make-up gain at the end. Only the compressed path has it."
    ),
    "soft_words_too": Mistake("soft words levelled", "That also lifts the soft words, which are meant to be soft."),
    "mean_for_median": Mistake(
        "mean for median", "You compared with the mean, which one shouted word pulls up. Compare with the median."
    ),
    "tall_for_loud": Mistake(
        "tall taken for loud", "The word is tall, not loud: its peak is over too quickly to be heard as loudness."
    ),
    "words_for_line": Mistake(
        "words for a line", "All of its words are low. Go word by word, and you mend the same thing over and over."
    ),
}
"""All mistakes that tasks can name."""
