"""Frequency responses from logged signals, leakage taken out.

Three signals stand behind every estimate: the reference r (a known command or injected signal; the input
itself where there is none), the input u and the output y. With a reference the response is that from r to y
over that from r to u, which noise fed back by a loop does not bias.

- A short record is taken as a whole: in a window of neighbouring lines response and transient are polynomials
  of degree 2 (local polynomial method), so that the ends of the record leave no leakage.
- A long one is averaged over blocks with a Hann window and half overlap, in memory that does not grow.
- A periodic one is averaged over whole periods without any window; only the excited lines count.

References
----------
.. [1] R. Pintelon, J. Schoukens, System Identification: A Frequency Domain Approach, 2nd ed. 2012, chapters 2
   (periodic), 2.6 (Hann, half overlap) and 7 (local polynomial). From memory.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

__all__ = ["Averager", "Response", "local_response"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

R, U, Y = 0, 1, 2
_HALF = 6
"""Lines on either side of a local window."""
_DEGREE = 2
_EXCITED = 1e-3
"""Least amplitude of an excited line of a periodic signal, as a share of the largest."""


@dataclass(frozen=True)
class Response:
    """A response at frequencies."""

    frequency: Array
    """Shape (lines,). [Hz]"""
    value: Complex
    """Output over input, in their units, shape (lines,)."""
    variance: Array
    """Of the complex value, shape (lines,)."""
    coherence: Array
    """Share of the power of the output that the reference explains, 0 to 1, shape (lines,)."""
    blocks: int
    """That were averaged; 1 where the record was taken as a whole."""
    samples: int
    """Of a block."""
    method: str
    """In words."""
    spectra: tuple[Complex, Complex, Array] | None = None
    """Input, output and noise variance of the output at the lines, where the record was taken as a whole."""

    def without_means(self, input_over: float, output_over: float) -> "Response":
        """Return the response between what was averaged, each around its instants.

        Parameters
        ----------
        input_over, output_over : float
            Times over which input and output are means; 0: they are not. [s]
        """
        first, second = np.sinc(self.frequency * input_over), np.sinc(self.frequency * output_over)
        ratio, spectra = first / second, self.spectra
        if spectra is not None:
            spectra = spectra[0] / first, spectra[1] / second, spectra[2] / second**2
        value, variance = self.value * ratio, self.variance * ratio**2
        return replace(self, value=value, variance=variance, spectra=spectra)


def local_response(record: Array, period: float) -> Response:
    """Return the response of a record that is taken as a whole.

    Parameters
    ----------
    record : ndarray, shape (samples, 3)
        Reference, input and output.
    period : float
        [s]
    """
    count = len(record)
    lines = np.fft.rfft(record - record.mean(axis=0), axis=0)[1:] / np.sqrt(count)
    frequency = np.arange(1, len(lines) + 1) / (count * period)
    width = 2 * _HALF + 1
    starts = np.clip(np.arange(len(lines)) - _HALF, 0, len(lines) - width)
    windows = sliding_window_view(lines, width, axis=0)[starts].transpose(1, 0, 2)
    place = (starts[:, None] + np.arange(width) - np.arange(len(lines))[:, None]) / _HALF
    powers = place[:, :, None] ** np.arange(_DEGREE + 1)
    terms = np.concatenate((powers * windows[R][:, :, None], powers.astype(complex)), axis=2)
    adjoint = terms.conj().transpose(0, 2, 1)
    inverse = np.linalg.pinv(adjoint @ terms, hermitian=True)
    found, left = [], []
    for signal in (U, Y):
        solution = inverse @ (adjoint @ windows[signal][:, :, None])
        found.append(solution[:, 0, 0])
        left.append(windows[signal] - (terms @ solution)[:, :, 0])
    freedom = width - 2 * (_DEGREE + 1)
    value = found[1] / found[0]
    error = left[1] - value[:, None] * left[0]
    noise = np.sum(np.abs(error) ** 2, axis=1) / freedom
    variance = noise * inverse[:, 0, 0].real / np.abs(found[0]) ** 2
    power = np.sum(np.abs(found[1][:, None] * windows[R]) ** 2, axis=1) / width
    rest = np.sum(np.abs(left[1]) ** 2, axis=1) / freedom
    coherence = power / (power + rest)
    spectra = (lines[:, U], lines[:, Y], _smoothed(noise))
    method = "the record as a whole, response and transient as local polynomials"
    return Response(frequency, value, variance, coherence, 1, count, method, spectra)


class Averager:
    """Adds up the spectra of blocks.

    Parameters
    ----------
    samples : int
        Of a block.
    periodic : bool
        Whether a block is a whole number of periods; then there is neither window nor overlap.
    """

    def __init__(self, samples: int, periodic: bool) -> None:
        self._samples, self._periodic = samples, periodic
        self._hop = samples if periodic else samples // 2
        self._window = np.ones(samples) if periodic else np.hanning(samples + 1)[:samples]
        self._window /= np.sqrt(np.sum(self._window**2))
        self._rest = np.empty((0, 3))
        self._sums = np.zeros((samples // 2 + 1, 3, 3), dtype=complex)
        self.blocks = 0
        self._skip = periodic

    def feed(self, piece: Array, fresh: bool) -> None:
        """Take a piece of the signals.

        Parameters
        ----------
        piece : ndarray, shape (samples, 3)
            Reference, input and output.
        fresh : bool
            Whether a new stretch begins.
        """
        if fresh:
            self._rest, self._skip = piece, self._periodic
        else:
            self._rest = np.concatenate((self._rest, piece))
        while len(self._rest) >= self._samples:
            block, self._rest = self._rest[: self._samples], self._rest[self._hop :]
            if self._skip:  # the first period of a stretch holds the transient
                self._skip = False
                continue
            lines = np.fft.rfft((block - block.mean(axis=0)) * self._window[:, None], axis=0)
            self._sums += lines.conj()[:, :, None] * lines[:, None, :]
            self.blocks += 1

    def response(self, period: float) -> Response:
        """Return the response.

        Parameters
        ----------
        period : float
            [s]
        """
        sums: Complex = self._sums[1:] / complex(self.blocks)
        frequency = np.arange(1, len(sums) + 1) / (self._samples * period)
        if self._periodic:
            excited = sums[:, R, R].real > _EXCITED**2 * sums[:, R, R].real.max()
            sums, frequency = sums[excited], frequency[excited]
            effective, method = float(self.blocks), "averaged over whole periods, excited lines only"
        else:
            # Half overlap of Hann windows: neighbours share 1/36 of their variance, twice.
            effective = self.blocks / (1.0 + 1.0 / 18.0)
            method = "averaged over blocks with a Hann window and half overlap"
        with np.errstate(divide="ignore", invalid="ignore"):  # an input at rest has no response
            value: Complex = sums[:, R, Y] / sums[:, R, U]
        own, shared = sums[:, Y, Y].real, np.real(np.conj(value) * sums[:, U, Y])
        error: Array = own - 2.0 * shared + np.abs(value) ** 2 * sums[:, U, U].real
        noise: Array = np.maximum(error, 0.0) * effective / max(effective - 1.0, 0.5)
        if not self._periodic:
            noise = _smoothed(noise)
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = noise * sums[:, R, R].real / (effective * np.abs(sums[:, R, U]) ** 2)
        whole = sums[:, R, R].real * sums[:, Y, Y].real
        coherence = np.abs(sums[:, R, Y]) ** 2 / np.where(whole > 0.0, whole, 1.0)
        return Response(frequency, value, variance, coherence, self.blocks, self._samples, method)


def _smoothed(noise: Array, half: int = 5) -> Array:
    """Return a noise variance as a mean over neighbouring lines."""
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    return np.asarray(np.convolve(np.pad(noise, half, mode="edge"), kernel, "valid"), dtype=float)
