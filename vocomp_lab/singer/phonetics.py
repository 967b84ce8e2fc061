"""What the mouth does for each speech sound: formants of the vowels, places and noises of the consonants.

Symbols are the plain-letter phone symbols in common use for English ("iy" as in *me*, "sh" as in *ship*, "ng" as in
*sing*). Formants are in Hz for an adult man and an adult woman; everything else is given per phone, so a new
sound is one line in a table.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

VOICES = ("men", "women")

# Peterson & Barney, J. Acoust. Soc. Am. 24(2), 1952, table II (values from memory): F1, F2, F3 of men, then of women.
# "ax" (the weak vowel of "the") is not in that table: common practice, no source.
VOWELS = {
    "iy": ((270, 2290, 3010), (310, 2790, 3310)),
    "ih": ((390, 1990, 2550), (430, 2480, 3070)),
    "eh": ((530, 1840, 2480), (610, 2330, 2990)),
    "ae": ((660, 1720, 2410), (860, 2050, 2850)),
    "aa": ((730, 1090, 2440), (850, 1220, 2810)),
    "ao": ((570, 840, 2410), (590, 920, 2710)),
    "uh": ((440, 1020, 2240), (470, 1160, 2680)),
    "uw": ((300, 870, 2240), (370, 950, 2670)),
    "ah": ((640, 1190, 2390), (760, 1400, 2780)),
    "er": ((490, 1350, 1690), (500, 1640, 1960)),
    "ax": ((500, 1350, 2400), (560, 1600, 2800)),
}

# Where each diphthong starts and ends, as mixtures of the vowels above. Common practice, no source.
DIPHTHONGS = {
    "ey": ((("eh", 0.6), ("ih", 0.4)), (("iy", 0.75), ("ih", 0.25))),
    "ay": ((("aa", 0.7), ("ah", 0.3)), (("ih", 0.6), ("iy", 0.4))),
    "oy": ((("ao", 1.0),), (("ih", 0.7), ("iy", 0.3))),
    "ow": ((("ao", 0.5), ("ah", 0.25), ("uh", 0.25)), (("uw", 0.6), ("uh", 0.4))),
    "aw": ((("aa", 0.6), ("ae", 0.4)), (("uh", 0.6), ("uw", 0.4))),
}


@dataclass(frozen=True)
class Consonant:
    """How one consonant is made.

    Attributes
    ----------
    kind : str
        ``"plosive"``, ``"fricative"``, ``"nasal"``, ``"approximant"`` or ``"aspirate"``.
    place : str
        Where the mouth narrows. It names the locus that the formants of neighbouring vowels point to.
    voiced : bool
    length_ms : float
        Length when there is room; of a plosive, the closure.
    voice_db : float
        Level of the glottal source while it lasts, relative to the vowel. −inf for none.
    noise : str
        Spectrum of its noise, a key of :data:`NOISES`; empty for none.
    noise_db : float
        RMS of that noise relative to a vowel of mean loudness; of a plosive, the burst's peak.
    release_ms : float
        Of a plosive: from burst to voice (voice onset time) before a vowel.
    formants : tuple
        Of a nasal or approximant: F1, F2, F3 of men, then of women.
    zero_hz : float
        Of a nasal: the zero that the closed mouth adds.
    """

    kind: str
    place: str
    voiced: bool
    length_ms: float
    voice_db: float = -np.inf
    noise: str = ""
    noise_db: float = -np.inf
    release_ms: float = 0.0
    formants: tuple = ()
    zero_hz: float = 0.0


# Lengths and levels: common practice, no source, except voice onset times after L. Lisker and A. Abramson, "A
# cross-language study of voicing in initial stops", Word 20(3), 1964 (English: p 58, t 70, k 80, b 1, d 5, g 21 ms;
# values from memory), shortened a little for singing; nasal and approximant formants after Klatt 1980, tables II and
# III (values from memory), women's scaled by 1.15.
CONSONANTS = {
    "p": Consonant("plosive", "labial", False, 62, noise="p", noise_db=-15, release_ms=50),
    "t": Consonant("plosive", "alveolar", False, 52, noise="t", noise_db=-7, release_ms=58),
    "k": Consonant("plosive", "velar", False, 56, noise="k", noise_db=-8, release_ms=64),
    "b": Consonant("plosive", "labial", True, 62, voice_db=-17, noise="p", noise_db=-12, release_ms=8),
    "d": Consonant("plosive", "alveolar", True, 48, voice_db=-18, noise="t", noise_db=-12, release_ms=12),
    "g": Consonant("plosive", "velar", True, 54, voice_db=-19, noise="k", noise_db=-11, release_ms=20),
    "s": Consonant("fricative", "alveolar", False, 105, noise="s", noise_db=-12),
    "sh": Consonant("fricative", "palatal", False, 110, noise="sh", noise_db=-11),
    "f": Consonant("fricative", "labial", False, 90, noise="f", noise_db=-25),
    "th": Consonant("fricative", "dental", False, 80, noise="f", noise_db=-28),
    "z": Consonant("fricative", "alveolar", True, 75, voice_db=-11, noise="s", noise_db=-18),
    "v": Consonant("fricative", "labial", True, 60, voice_db=-9, noise="f", noise_db=-31),
    "dh": Consonant("fricative", "dental", True, 48, voice_db=-9, noise="f", noise_db=-34),
    "m": Consonant(
        "nasal", "labial", True, 75, voice_db=-5.5, formants=((260, 1150, 2250), (280, 1300, 2550)), zero_hz=1000
    ),
    "n": Consonant(
        "nasal", "alveolar", True, 65, voice_db=-5.5, formants=((260, 1450, 2450), (280, 1650, 2800)), zero_hz=1600
    ),
    "ng": Consonant(
        "nasal", "velar", True, 80, voice_db=-6, formants=((260, 1900, 2600), (280, 2200, 2950)), zero_hz=3000
    ),
    "l": Consonant("approximant", "alveolar", True, 65, voice_db=-3, formants=((340, 1050, 2800), (370, 1200, 3200))),
    "r": Consonant("approximant", "palatal", True, 70, voice_db=-2, formants=((340, 1100, 1500), (370, 1270, 1750))),
    "w": Consonant("approximant", "labial", True, 65, voice_db=-3, formants=((300, 650, 2200), (330, 730, 2550))),
    "y": Consonant("approximant", "palatal", True, 60, voice_db=-3, formants=((270, 2200, 2900), (300, 2650, 3250))),
    "h": Consonant("aspirate", "glottal", False, 65),
}

# F2 at the consonant = slope·F2(vowel) + intercept: "locus equations", H. Sussman, H. McCaffrey, S. Matthews, J.
# Acoust. Soc. Am. 90(3), 1991 (values from memory, rounded; dental and palatal: common practice, no source). F1 there
# is fixed, F3 a share of the vowel's own: F1 always falls as the mouth closes; F3
# falls at the lips and meets F2 at the velum.
LOCI = {
    "labial": (0.85, 100.0, 0.92),
    "alveolar": (0.42, 1080.0, 1.04),
    "dental": (0.48, 820.0, 1.02),
    "palatal": (0.40, 1150.0, 0.98),
    "velar": (0.72, 650.0, 0.86),
}
CLOSED_F1_HZ = {"men": 240.0, "women": 270.0}
WOMAN_SCALE = 1.16

# Spectra of the noises: (Hz, dB) corners of a curve that is linear over log frequency. Common practice, no
# source; the peaks of s and sh are where A. Jongman, R. Wayland, S. Wong, J. Acoust. Soc. Am. 108(3), 2000, find them
# (s about 6.8 kHz, sh about 3.8 kHz, f flat; values from memory).
NOISES = {
    "s": (
        (500, -58),
        (2000, -46),
        (3200, -32),
        (4300, -14),
        (5200, -4),
        (6500, 0),
        (8200, -1),
        (9800, -5),
        (12500, -13),
        (20000, -34),
    ),
    "sh": (
        (400, -52),
        (1100, -36),
        (1800, -16),
        (2400, -4),
        (3100, 0),
        (4300, -3),
        (5800, -7),
        (7800, -13),
        (12000, -24),
        (20000, -42),
    ),
    "f": (
        (200, -40),
        (700, -16),
        (1600, -8),
        (4000, -4),
        (7500, 0),
        (10500, -2),
        (14000, -9),
        (20000, -28),
    ),
    "p": (
        (120, -16),
        (350, -3),
        (800, 0),
        (1500, -5),
        (3000, -11),
        (6000, -17),
        (12000, -30),
        (20000, -46),
    ),
    "t": (
        (400, -44),
        (1500, -24),
        (2800, -9),
        (3900, 0),
        (5800, -1),
        (8000, -6),
        (12000, -16),
        (20000, -36),
    ),
    "k": (
        (300, -40),
        (900, -22),
        (1500, -8),
        (1850, 0),
        (2300, -4),
        (3400, -13),
        (5000, -14),
        (9000, -22),
        (20000, -44),
    ),
    "breath": (
        (150, -34),
        (400, -15),
        (800, -6),
        (1400, -2),
        (1900, 0),
        (2700, -5),
        (3600, -6),
        (5200, -12),
        (8000, -17),
        (12000, -26),
        (20000, -44),
    ),
}


def is_vowel(phone: str) -> bool:
    """Whether a phone is a vowel or diphthong, and so carries a note."""
    return phone in VOWELS or phone in DIPHTHONGS


def kind_of(phone: str) -> str:
    """``"vowel"``, or the kind of the consonant; a ValueError for an unknown symbol."""
    if is_vowel(phone):
        return "vowel"
    if phone in CONSONANTS:
        return CONSONANTS[phone].kind
    known = " ".join((*VOWELS, *DIPHTHONGS, *CONSONANTS))
    raise ValueError(f"phone: {phone!r} is not a known speech sound; give one of: {known}.")


def vowel_formants(phone: str, voice: str) -> tuple[np.ndarray, np.ndarray]:
    """F1, F2, F3 in Hz where a vowel starts and where it ends (the same for a plain vowel)."""
    sex = VOICES.index(voice)
    if phone in VOWELS:
        plain = np.array(VOWELS[phone][sex], float)
        return plain, plain
    return tuple(sum(part * np.array(VOWELS[name][sex], float) for name, part in mix) for mix in DIPHTHONGS[phone])


def locus(place: str, vowel: np.ndarray, voice: str) -> np.ndarray:
    """F1, F2, F3 in Hz at a closure, next to a vowel with these formants."""
    slope, intercept, third = LOCI[place]
    scale = WOMAN_SCALE if voice == "women" else 1.0
    f2 = slope * vowel[1] + intercept * scale
    return np.array([min(CLOSED_F1_HZ[voice], vowel[0]), f2, max(third * vowel[2], f2 + 250.0)])


def noise_gain(name: str, freqs_hz: np.ndarray, shift: float = 1.0) -> np.ndarray:
    """Amplitude of a noise spectrum at these frequencies, moved up in frequency by the factor `shift`."""
    corners = np.array(NOISES[name], float)
    with np.errstate(divide="ignore"):
        places = np.log(np.maximum(freqs_hz, 1.0))
    left = corners[0, 1] - 12.0 * np.maximum(0.0, np.log2(corners[0, 0] * shift) - places / np.log(2.0))
    curve = np.interp(places, np.log(corners[:, 0] * shift), corners[:, 1])
    return 10.0 ** (np.where(places < np.log(corners[0, 0] * shift), left, curve) / 20.0)
