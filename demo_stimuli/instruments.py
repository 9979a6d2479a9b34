"""Instruments of the demo: each returns one mono note or stroke as samples, nothing is recorded.

Pitches are MIDI note numbers (60 is middle C, 69 is A at 440 Hz), durations in s, `force` 0..1. Everything random comes
from the generator that is passed in, so that the same seed plays the same notes.

Plucked strings follow Karplus and Strong 1983, Digital synthesis of plucked-string and drum timbres, with the
extensions of Jaffe and Smith 1983; the singer is a glottal pulse through five resonators (after Klatt 1980, Software
for a cascade/parallel formant synthesizer); bars and membranes are sums of decaying modes.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

Mono = NDArray[np.float64]


def hertz(pitch: float) -> float:
    """Return the frequency of a MIDI note number."""
    return float(440.0 * 2.0 ** ((pitch - 69.0) / 12.0))


def shaped(noise: Mono, rate: int, low: float | None = None, high: float | None = None, order: int = 2) -> Mono:
    """Return `noise` between `low` and `high` Hz."""
    if low and high:
        sections = butter(order, [low, min(high, 0.45 * rate)], "band", fs=rate, output="sos")
    elif low:
        sections = butter(order, low, "high", fs=rate, output="sos")
    else:
        sections = butter(order, min(high or rate, 0.45 * rate), fs=rate, output="sos")
    return sosfilt(sections, noise)


def resonance(sound: Mono, rate: int, frequency: float, q: float, gain_db: float) -> Mono:
    """Return `sound` with a peak or a dip (a peaking section of the W3C's audio equaliser note)."""
    amount, turn = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * frequency / rate
    width, cosine = np.sin(turn) / (2.0 * q), np.cos(turn)
    b = np.array([1.0 + width * amount, -2.0 * cosine, 1.0 - width * amount])
    a = np.array([1.0 + width / amount, -2.0 * cosine, 1.0 - width / amount])
    return lfilter(b / a[0], a / a[0], sound)


def plucked(
    rng: np.random.Generator,
    rate: int,
    pitch: float,
    seconds: float,
    force: float = 0.7,
    *,
    ring: float = 3.0,
    bright: float = 0.55,
    place: float = 0.13,
) -> Mono:
    """Return a plucked string: a burst of noise circling in a delay that loses a little of its treble each turn."""
    frequency, n = hertz(pitch), int(seconds * rate)
    period = rate / frequency
    # Loop filter: half-sample delay of a two-point average, scaled for the decay, and a Lagrange fraction for the tune.
    softness = 0.5 * (1.0 - bright) + 0.04
    loss = 10.0 ** (-3.0 / (frequency * ring * (220.0 / max(frequency, 110.0)) ** 0.35))
    average = np.array([1.0 - softness, softness]) * loss
    whole = int(period - softness - 1.0)
    part = period - softness - whole
    fraction = np.ones(4)
    for k in range(4):
        for m in range(4):
            if m != k:
                fraction[k] *= (part - m) / (k - m)
    loop = np.convolve(average, fraction)
    denominator = np.zeros(whole + len(loop))
    denominator[0] = 1.0
    denominator[whole:] -= loop
    burst = np.zeros(n)
    length = min(n, int(period) + 1)
    burst[:length] = rng.uniform(-1, 1, length)
    burst = shaped(burst, rate, high=900.0 + 9000.0 * force**1.5, order=1)
    shift = max(1, int(place * period))
    burst[shift:] -= 0.9 * burst[:-shift].copy()
    note = lfilter([1.0], denominator, burst)
    return ended(note / (np.abs(note).max() + 1e-12) * force, rate, 0.06)


def ended(note: Mono, rate: int, seconds: float) -> Mono:
    """Return the note with a faded end."""
    length = min(len(note), int(seconds * rate))
    note = note.copy()
    if length:
        note[-length:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, length + 1) / length)
    return note


def swell(n: int, rate: int, attack: float, release: float) -> Mono:
    """Return an envelope (n,) that rises over `attack` s and falls over `release` s."""
    t = np.arange(n) / rate
    left = n / rate - t
    return (
        np.sin(0.5 * np.pi * np.clip(t / attack, 0, 1)) ** 2 * np.sin(0.5 * np.pi * np.clip(left / release, 0, 1)) ** 2
    )


def wave(frequency: Mono, rate: int, harmonics: Mono, rng: np.random.Generator) -> Mono:
    """Return a periodic sound: `frequency` (n,) Hz, `harmonics` amplitudes from the fundamental on; never aliased."""
    count = min(len(harmonics), int(0.44 * rate / frequency.max()))
    table_size = 1 << max(11, int(np.ceil(np.log2(16 * count))))
    spectrum = np.zeros(table_size // 2 + 1, dtype=complex)
    spectrum[1 : count + 1] = harmonics[:count] * np.exp(1j * rng.uniform(-0.6, 0.6, count)) * -0.5j * table_size
    table = np.fft.irfft(spectrum, table_size)
    phase = np.cumsum(frequency) / rate + rng.uniform()
    place = (phase % 1.0) * table_size
    below = place.astype(int)
    mix = place - below
    return table[below % table_size] * (1.0 - mix) + table[(below + 1) % table_size] * mix


def wandering(rng: np.random.Generator, n: int, rate: int, speed: float) -> Mono:
    """Return a slow random walk (n,) of unit size: hands and breath never hold quite still."""
    points = max(4, int(n / rate * speed) + 3)
    return np.interp(np.linspace(0, points - 1, n), np.arange(points), rng.standard_normal(points))


def bowed(
    rng: np.random.Generator,
    rate: int,
    pitch: float,
    seconds: float,
    force: float = 0.7,
    *,
    attack: float = 0.12,
    vibrato: float = 0.22,
) -> Mono:
    """Return a bowed string: a sawtooth with vibrato that sets in late, bow noise, and a wooden body."""
    n = int(seconds * rate)
    t = np.arange(n) / rate
    depth = vibrato * np.clip((t - 0.15) / 0.4, 0, 1)
    speed = 5.3 + 0.4 * wandering(rng, n, rate, 2.0)
    bend = depth * np.sin(2 * np.pi * np.cumsum(speed) / rate) + 0.04 * wandering(rng, n, rate, 6.0)
    order = np.arange(1, 400)
    harmonics = order**-1.05 * (1.0 - 0.5 * np.cos(2 * np.pi * order * 0.09)) * np.exp(-order * hertz(pitch) / 14000.0)
    tone = wave(hertz(pitch) * 2.0 ** (bend / 12.0), rate, harmonics, rng)
    hiss = shaped(rng.standard_normal(n), rate, 1500.0, 9000.0) * (0.05 + 0.1 * np.exp(-t / 0.07))
    body = tone * (1.0 + 0.06 * wandering(rng, n, rate, 8.0)) + hiss
    small = 2.0 ** -((max(0.0, 62.0 - pitch)) / 24.0)  # larger bodies for lower voices
    for frequency, q, gain_db in (
        (285, 5, 5),
        (460, 6, 6),
        (700, 5, 3),
        (1250, 2, -5),
        (2600, 1.4, 7),
        (5400, 1.5, -3),
    ):
        body = resonance(body, rate, frequency * small, q, gain_db)
    body *= swell(n, rate, attack, 0.18)
    return body / np.sqrt(np.mean(body**2) + 1e-12) * 0.25 * force


def brass(rng: np.random.Generator, rate: int, pitch: float, seconds: float, force: float = 0.7) -> Mono:
    """Return a horn: its upper harmonics come with the force of the blow."""
    n = int(seconds * rate)
    envelope = swell(n, rate, 0.09, 0.2)
    bend = 0.03 * wandering(rng, n, rate, 5.0) - 0.25 * np.exp(-np.arange(n) / (0.03 * rate))
    frequency = hertz(pitch) * 2.0 ** (bend / 12.0)
    order = np.arange(1, 60)
    soft = wave(frequency, rate, np.exp(-0.9 * (order - 1)), np.random.default_rng(1))
    hard = wave(frequency, rate, np.exp(-0.22 * (order - 1)), np.random.default_rng(1))
    edge = np.clip(envelope, 0, 1) ** 3 * force
    note = (soft * (1 - edge) + hard * edge) * envelope
    return note / np.sqrt(np.mean(note**2) + 1e-12) * 0.25 * force


def bar(
    rng: np.random.Generator, rate: int, pitch: float, seconds: float, force: float = 0.7, *, metal: bool = True
) -> Mono:
    """Return a struck bar tuned as on a vibraphone or (not `metal`) a marimba: partials 1, 4, 10 and a soft knock."""
    n = int(seconds * rate)
    t = np.arange(n) / rate
    frequency = hertz(pitch)
    note = np.zeros(n)
    decay = 2.6 if metal else 0.45
    for ratio, level, share in (
        (1.0, 1.0, 1.0),
        (3.98, 0.32 * force + 0.05, 0.35),
        (9.9, 0.2 * force**2, 0.14),
        (16.3, 0.06 * force**2, 0.07),
    ):
        if ratio * frequency < 0.44 * rate:
            time = decay * share * (440.0 / frequency) ** 0.4
            note += level * np.sin(2 * np.pi * ratio * frequency * t + rng.uniform(0, 0.5)) * np.exp(-t / time)
    if metal:
        note *= 1.0 + 0.18 * np.sin(2 * np.pi * 4.1 * t + 1.0)  # the turning discs
    knock = shaped(rng.standard_normal(n), rate, 500.0, 3500.0) * np.exp(-t / 0.006)
    note += (0.15 if metal else 0.35) * force * knock
    note *= np.clip(t / 0.001, 0, 1)
    return ended(note, rate, 0.08) * 0.5 * force


def kick(rng: np.random.Generator, rate: int, force: float = 0.9) -> Mono:
    """Return a bass drum: a tone falling to 47 Hz and the beater's click."""
    n = int(0.45 * rate)
    t = np.arange(n) / rate
    pitch = 47.0 + 95.0 * np.exp(-t / 0.028)
    tone = np.sin(2 * np.pi * np.cumsum(pitch) / rate) * np.exp(-t / 0.14)
    click = shaped(rng.standard_normal(n), rate, 1200.0, 5000.0) * np.exp(-t / 0.005)
    return ended((tone * np.clip(t / 0.0015, 0, 1) + 0.25 * click) * force, rate, 0.05)


def snare(rng: np.random.Generator, rate: int, force: float = 0.8) -> Mono:
    """Return a snare drum: two modes of the head and the wires behind it."""
    n = int(0.32 * rate)
    t = np.arange(n) / rate
    head = np.sin(2 * np.pi * 187 * t) * np.exp(-t / 0.05) + 0.6 * np.sin(2 * np.pi * 331 * t) * np.exp(-t / 0.035)
    wires = shaped(rng.standard_normal(n), rate, 1700.0, 11000.0) * np.exp(-t / (0.05 + 0.05 * force))
    crack = shaped(rng.standard_normal(n), rate, 700.0, 4000.0) * np.exp(-t / 0.012)
    return ended((0.5 * head + 0.5 * wires + 0.45 * force * crack) * force, rate, 0.05)


def tom(rng: np.random.Generator, rate: int, frequency: float, force: float = 0.8) -> Mono:
    """Return a tom or, low and long, a kettledrum's stroke."""
    n = int(0.7 * rate)
    t = np.arange(n) / rate
    note = np.zeros(n)
    for ratio, level in ((1.0, 1.0), (1.59, 0.45), (2.14, 0.3), (2.65, 0.15), (2.92, 0.12)):
        pitch = frequency * ratio * (1.0 + 0.12 * np.exp(-t / 0.03))
        note += level * np.sin(2 * np.pi * np.cumsum(pitch) / rate) * np.exp(-t * (4.0 + 3.0 * ratio))
    stick = shaped(rng.standard_normal(n), rate, 900.0, 6000.0) * np.exp(-t / 0.008)
    return ended((0.55 * note + 0.3 * stick) * np.clip(t / 0.001, 0, 1) * force, rate, 0.05)


def cymbal(rng: np.random.Generator, rate: int, seconds: float, force: float = 0.5, *, low: float = 5500.0) -> Mono:
    """Return a cymbal or hi-hat: many inharmonic partials and noise; short when closed."""
    n = int((3.0 * seconds + 0.05) * rate)
    t = np.arange(n) / rate
    metal = np.zeros(n)
    for frequency in np.exp(rng.uniform(np.log(low * 0.6), np.log(15000.0), 40)):
        if frequency < 0.44 * rate:
            metal += np.sin(2 * np.pi * frequency * t + rng.uniform(0, 7)) * np.exp(
                -t / (seconds * rng.uniform(0.5, 1.2))
            )
    hiss = rng.standard_normal(n) * np.exp(-t / (0.7 * seconds))
    sound = shaped(0.12 * metal + 0.5 * hiss, rate, low, 17000.0)
    return ended(sound * np.clip(t / 0.0008, 0, 1) * force * 0.5, rate, 0.03)


# Formants of sung vowels in Hz, levels in dB; rounded from textbook tables for a mezzo voice (from memory).
VOWELS = {
    "a": ((760, 1180, 2800, 3600, 4900), (0, -5, -18, -22, -34)),
    "e": ((440, 1900, 2700, 3500, 4900), (0, -14, -16, -22, -36)),
    "i": ((320, 2250, 2950, 3600, 4900), (0, -18, -16, -22, -38)),
    "o": ((470, 860, 2750, 3500, 4900), (0, -8, -24, -26, -38)),
    "u": ((340, 720, 2650, 3400, 4900), (0, -14, -30, -32, -44)),
    "m": ((270, 1050, 2300, 3400, 4900), (-4, -26, -32, -38, -48)),
}
_WIDTHS = (70.0, 90.0, 130.0, 170.0, 250.0)


def sung(
    rng: np.random.Generator, rate: int, notes: list[tuple[float, float, str]], force: float = 0.7, *, size: float = 1.0
) -> Mono:
    """Return a sung line: (pitch, seconds, vowels) each; "ma" opens the lips over the note, "s" before it hisses."""
    pieces, sounds, hisses = [], [], []
    for pitch, seconds, text in notes:
        n = int(seconds * rate)
        pieces.append(np.full(n, pitch))
        vowels = [letter for letter in text if letter in VOWELS]
        sounds += [(n, vowels)]
        hisses.append((n, text.startswith("s")))
    pitch = np.concatenate(pieces)
    n = len(pitch)
    glide = np.exp(-np.arange(int(0.16 * rate)) / (0.028 * rate))
    pitch = np.convolve(np.pad(pitch, (len(glide) - 1, 0), mode="edge"), glide / glide.sum(), "valid")
    t = np.arange(n) / rate
    since = np.concatenate([np.arange(m) / rate for m, _ in sounds])
    vibrato = (
        0.32 * np.clip((since - 0.2) / 0.5, 0, 1) * np.sin(2 * np.pi * 5.6 * t + 0.5 * wandering(rng, n, rate, 2.0))
    )
    drift = 0.05 * wandering(rng, n, rate, 5.0) + 0.012 * wandering(rng, n, rate, 60.0)
    order = np.arange(1, 120)
    source = wave(np.array([hertz(p) for p in (pitch + vibrato + drift)[::32]]).repeat(32)[:n], rate, order**-1.05, rng)
    source += 0.012 * shaped(rng.standard_normal(n), rate, 1500.0, 9000.0)
    source *= 1.0 + 0.05 * wandering(rng, n, rate, 10.0)

    step = int(0.004 * rate)
    places = np.arange(0, n, step)
    formants, levels = np.empty((len(places), 5)), np.empty((len(places), 5))
    loudness = np.ones(n)
    start = 0
    for (m, vowels), (_, hissed) in zip(sounds, hisses, strict=True):
        inside = (places >= start) & (places < start + m)
        share = (places[inside] - start) / m
        knots = np.linspace(0.0, 1.0, len(vowels)) if len(vowels) > 1 else np.array([0.0])
        if vowels[0] == "m" and len(vowels) > 1:
            knots = np.concatenate([[0.10], 0.10 + 0.12 + (knots[1:] - knots[1]) * 0.7])
        for column in range(5):
            formants[inside, column] = np.interp(share, knots, [VOWELS[v][0][column] for v in vowels])
            levels[inside, column] = np.interp(share, knots, [VOWELS[v][1][column] for v in vowels])
        dip = np.ones(m)
        if hissed:
            quiet = int(0.11 * rate)
            dip[:quiet] = np.clip((np.arange(quiet) - 0.08 * rate) / (0.03 * rate), 0, 1)
        else:
            edge = int(0.03 * rate)
            dip[:edge] *= 0.55 + 0.45 * np.arange(edge) / edge
        loudness[start : start + m] = dip
        start += m
    smooth = np.hanning(21)
    smooth /= smooth.sum()
    voice = np.zeros(n)
    for column in range(5):
        centre = np.convolve(np.pad(formants[:, column], 10, mode="edge"), smooth, "valid") * size
        level = 10.0 ** (np.convolve(np.pad(levels[:, column], 10, mode="edge"), smooth, "valid") / 20.0)
        state = np.zeros(2)
        sign = -1.0 if column % 2 else 1.0
        radius = np.exp(-np.pi * _WIDTHS[column] / rate)
        for k, place in enumerate(places):
            turn = 2.0 * np.pi * centre[k] / rate
            a = np.array([1.0, -2.0 * radius * np.cos(turn), radius**2])
            b = np.array([(1.0 - radius) * 2.0 * np.sin(turn)])
            out, state = lfilter(b, a, source[place : place + step], zi=state)
            voice[place : place + step] += sign * level[k] * out
    voice *= np.convolve(loudness, np.hanning(int(0.02 * rate)) / np.hanning(int(0.02 * rate)).sum(), "same")
    for frequency, q, gain_db in ((1150, 1.2, 5), (2900, 1.5, 11), (7000, 1.0, 4)):  # the ring that carries a voice
        voice = resonance(voice, rate, frequency, q, gain_db)
    voice /= np.sqrt(np.mean(voice**2))
    start = 0
    for m, hissed in hisses:
        if hissed:
            length = int(0.12 * rate)
            hiss = shaped(rng.standard_normal(length), rate, 5200.0, 11000.0) * np.hanning(length)
            voice[start : start + length] += 0.9 * hiss
        start += m
    return voice * swell(n, rate, 0.06, 0.25) * 0.25 * force


def pink(rng: np.random.Generator, n: int, rate: int) -> Mono:
    """Return pink noise between 20 Hz and 20 kHz, RMS 1: equal power in every octave."""
    frequency = np.fft.rfftfreq(n, 1.0 / rate)
    spectrum = np.zeros(len(frequency), dtype=complex)
    band = (frequency >= 20.0) & (frequency <= 20_000.0)
    spectrum[band] = (rng.standard_normal(band.sum()) + 1j * rng.standard_normal(band.sum())) / np.sqrt(frequency[band])
    noise = np.fft.irfft(spectrum, n)
    return noise / np.sqrt(np.mean(noise**2))
