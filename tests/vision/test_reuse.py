"""The perceptual hash against the same steps with SciPy's transform."""

import numpy as np
import pytest
from PIL import Image
from scipy.fft import dct

from vision.reuse import perceptual_hash


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_bits_are_those_of_the_library_s_transform(seed: int) -> None:
    picture = np.random.default_rng(seed).integers(0, 256, (40, 60, 3), np.uint8)
    grey = Image.fromarray(picture).convert("L").resize((32, 32), Image.Resampling.LANCZOS)
    low = dct(dct(np.asarray(grey, float), axis=0), axis=1)[:8, :8].ravel()
    assert perceptual_hash(picture) == int("".join("01"[int(v > np.median(low))] for v in low), 2)
