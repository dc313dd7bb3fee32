"""The engine inside the `hama` package, which the computed network is held against."""

import functools
from typing import Any

import numpy as np
from numpy.typing import NDArray


@functools.cache
def package_model() -> Any:
    """The package's recogniser of phones."""
    from hama.asr import ASRModel  # noqa: PLC0415 (a native library)

    return ASRModel()


def package_log_probabilities(sound: NDArray[np.float32]) -> NDArray[np.float32]:
    """Natural logarithms, shape (frames, phones), of sound of shape (samples,)."""
    feeds = {"waveform": sound[None], "waveform_lengths": np.array([len(sound)], np.int64)}
    logs, lengths = package_model().session.run(["log_probs", "out_lengths"], feeds)
    return np.asarray(logs, np.float32)[0, : int(np.asarray(lengths).reshape(-1)[0])]
