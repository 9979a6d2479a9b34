"""Figures as PNG of 256 colours: read back by a library that did not write them, and held against what was drawn."""

import io

import numpy as np
from matplotlib.image import imread

from blindtest.report.palette_png import nearest_in_palette, palette_png


def read_back(png):
    """Return the pixels as the reader of matplotlib (Pillow) sees them."""
    return np.rint(imread(io.BytesIO(png), format="png")[..., :3] * 255).astype(np.uint8)


def test_few_colours_stay_as_they_are():
    colours = np.random.default_rng(1).integers(0, 256, size=(256, 3), dtype=np.uint8)
    pixels = colours[np.random.default_rng(2).integers(0, 256, size=(31, 45))]
    png = palette_png(pixels, dpi=144, words={"Title": "Kurven, \u00e4 \u0436"})
    assert np.array_equal(read_back(png), pixels)
    assert "Kurven, \u00e4 \u0436".encode() in png
    assert png == palette_png(pixels, dpi=144, words={"Title": "Kurven, \u00e4 \u0436"})


def test_of_many_colours_areas_keep_theirs_and_no_blend_is_far_from_its_own():
    """A page as drawings are: two plain areas, and a ramp of a thousand blends between two colours."""
    share = np.linspace(0, 1, 1000)[:, None]
    ramp = np.rint(share * np.array([200, 30, 90]) + (1 - share) * np.array([255, 255, 255])).astype(np.uint8)
    rare = np.unique(np.vstack([ramp, ramp[:, ::-1], ramp[:, [1, 0, 2]]]), axis=0)
    assert len(rare) > 500
    pixels = np.full((40, 100, 3), 255, dtype=np.uint8)
    pixels[10:20, :50] = (31, 119, 180)
    pixels[30:, :] = np.resize(rare, (10, 100, 3))
    shown = read_back(palette_png(pixels, dpi=144, words={}))
    assert np.array_equal(shown[:30], pixels[:30])
    off = np.abs(shown.astype(int) - pixels)
    assert 0 < off.max() <= 6
    palette, indices = nearest_in_palette(pixels)
    assert (len(palette), indices.max()) == (256, 255)
