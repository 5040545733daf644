"""Colours and patterns: apart for every reader, the same for a kind everywhere."""

import itertools

import numpy as np
import pytest

from looptime.schema import KINDS
from looptime.views.figures.costs_figures import cost_bars, slow_against_typical
from looptime.views.figures.palette import DARK, KIND_COLOUR, KIND_PATTERN, LIGHT
from looptime.views.figures.slow_figures import loop_beside_typical
from tests.views.figures.build import summary

# Severe anomalies, linear RGB: Machado, Oliveira and Fernandes (2009)
ANOMALIES = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def linear(colour: str) -> np.ndarray:
    """Linear RGB of a colour such as #1f2b3c."""
    c = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lightness(colour: str) -> float:
    """Relative luminance."""
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear(colour))


def contrast(one: str, other: str) -> float:
    """Contrast of two colours, 1 to 21."""
    a, b = sorted([lightness(one), lightness(other)])
    return (b + 0.05) / (a + 0.05)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear RGB."""
    m = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = m @ np.clip(rgb, 0, 1) / np.array([0.9505, 1, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("seen", ANOMALIES)
def test_kinds_stay_apart_for_every_reader(seen: str) -> None:
    """Colours of kinds differ for readers who see fewer of them, and patterns differ for all."""
    m = np.array(ANOMALIES[seen])
    for a, b in itertools.combinations(KIND_COLOUR.values(), 2):
        assert np.linalg.norm(lab(m @ linear(a)) - lab(m @ linear(b))) > 9, (a, b)
    assert len(set(KIND_PATTERN.values())) == len(KIND_PATTERN) == len(KINDS) + 1


def test_colours_can_be_read_by_day_and_by_night() -> None:
    """3:1 for bars and lines, 4.5:1 for text, on both grounds."""
    for page in (LIGHT, DARK):
        for ground in (page["ground"], page["raised"]):
            assert min(contrast(c, ground) for c in KIND_COLOUR.values()) >= 3
            assert min(contrast(page[k], ground) for k in ("ink", "faint", "link", "warn")) >= 4.5


def test_a_bar_has_the_colour_of_its_kind() -> None:
    """The same kind has the same colour and pattern in every figure."""
    at = summary()
    for made in (cost_bars(at), slow_against_typical(at), loop_beside_typical(at, 29)):
        assert made is not None
        for trace in made.figure["data"]:
            if trace.get("name") in KIND_COLOUR:
                assert trace["marker"]["color"] == KIND_COLOUR[trace["name"]]
    first = cost_bars(at).figure["data"][0]
    assert first["marker"]["color"][0] == KIND_COLOUR["sensor read"]
