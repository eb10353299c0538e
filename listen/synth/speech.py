"""People who say words beside the microphone, spoken by a speech synthesiser where one is installed.

What is said is drawn from a list of words that one hears in a workshop, and from made-up syllables.
There are `PEOPLE`, each of whom knows `PHRASES`: what was spoken once is kept, since starting the
synthesiser for each phrase took longer than making all other sound of a clip.
"""

import functools
import io
import shutil
import subprocess

import numpy as np
import soundfile
import soxr

from listen.synth.sound import Sound, add_at, draw_log

PROGRAM = "espeak-ng"  # a free speech synthesiser of the usual distributions
LANGUAGES = ("en", "de", "fr", "it", "es", "pl", "cs", "nl", "sv", "pt", "ro", "tr", "fi", "hu", "da", "ru")
WAYS = ("", "+m1", "+m3", "+m4", "+m7", "+f1", "+f2", "+f4", "+croak", "+whisper")
WORDS = (
    "tool table clamp zero height offset look there stop wait slowly feed turn left right deeper two three "
    "seven hundred point five tenth gauge paper coffee lunch tomorrow delivery drawing holder collet vice "
    "parallel edge corner finish rough pass again good listen careful chips coolant door open close"
)
SOUNDS = "ba do ki la me nu ra so ti va ze lo pa gri sta tre fo hu wi mo"
WAIT_S = 20.0
PEOPLE, PHRASES = 160, 14
LARGEST_STRETCH = 1.12  # of a phrase's time and pitch together


@functools.cache
def can_speak() -> bool:
    """Whether the speech synthesiser is installed."""
    return shutil.which(PROGRAM) is not None


def spoken_sound(rng: np.random.Generator, *, n_samples: int, rate: int) -> Sound:
    """Phrases with pauses by one voice, shape (n_samples,); about power 1 while it speaks.

    Needs the speech synthesiser, see `can_speak`.
    """
    person = int(rng.integers(PEOPLE))
    made = np.zeros(n_samples, np.float32)
    at = int(rng.uniform(0.0, 0.5) * rate)
    while at < n_samples:
        spoken, own_rate = _phrase(person, int(rng.integers(PHRASES)))
        stretch = draw_log(rng, (1.0 / LARGEST_STRETCH, LARGEST_STRETCH))
        phrase = np.asarray(soxr.resample(spoken, own_rate * stretch, rate), np.float32)
        loud = np.float32(10.0 ** (rng.normal(0.0, 2.5) / 20.0))
        add_at(made, phrase * loud, at)
        at += phrase.size + int(draw_log(rng, (0.1, 2.5)) * rate)
    return made


def _text(rng: np.random.Generator) -> str:
    """One to twelve words or made-up ones."""
    words, sounds, said = WORDS.split(), SOUNDS.split(), []
    for _ in range(int(rng.integers(1, 13))):
        made_up = "".join(rng.choice(sounds, int(rng.integers(1, 4))))
        said.append(str(rng.choice(words)) if rng.random() < 0.6 else made_up)
    return " ".join(said)


@functools.lru_cache(maxsize=PEOPLE * PHRASES)
def _phrase(person: int, number: int) -> tuple[Sound, int]:
    """One phrase of a person, power 1 where it is loud, shape (n_samples,), not empty; and its rate."""
    rng = np.random.default_rng([person, 0])
    voice = str(rng.choice(LANGUAGES)) + str(rng.choice(WAYS))
    pitch, words_per_minute = int(rng.integers(5, 95)), int(rng.integers(110, 260))
    text = _text(np.random.default_rng([person, 1 + number]))
    command = [PROGRAM, "-v", voice, "-p", str(pitch), "-s", str(words_per_minute), "--stdout", text]
    done = subprocess.run(command, capture_output=True, timeout=WAIT_S, check=False)
    if done.returncode != 0 or len(done.stdout) < 1000:
        return np.zeros(800, np.float32), 8000
    sound, own_rate = soundfile.read(io.BytesIO(done.stdout), dtype="float32")
    power = np.square(sound)
    loud = power[power > 1e-3 * float(power.max(initial=0.0))]
    return np.asarray(sound / np.float32(np.sqrt(loud.mean()) + 1e-9) if loud.size else sound), own_rate
