"""Picture of an assembly: one order in full, all of them as bars."""

import numpy as np
import pytest
from makers import make_study
from picture_words import check_words

from arrayopt.checks.assembly import assembly
from arrayopt.export.assembly_picture import assembly_picture


@pytest.fixture(scope="module")
def found():
    return assembly(make_study(kind="slotted", pole_pairs=7, magnets_per_pole_pair=4))


def test_only_the_order_told_is_drawn_step_by_step(found):
    for order in (found.recommended, found.orders[-1]):
        pushes = assembly_picture(found, order).axes[0]
        line, *families = pushes.lines
        np.testing.assert_array_equal(line.get_ydata(), order.push.ravel())
        assert len(families) == len(found.layout.families)
        # Every magnet is marked as one of its family.
        steps = sorted(step for family in families for step in family.get_xdata())
        assert steps == list(range(1, order.push.size + 1))
        assert order.name in pushes.get_title()
        assert ("recommended" in pushes.get_title()) is (order is found.recommended)


def test_all_orders_are_bars_of_hardest_and_mean_push(found):
    bars = assembly_picture(found, found.recommended).axes[2]
    assert [t.get_text() for t in bars.get_yticklabels()] == [o.name for o in found.orders]
    hardest, mean = bars.containers
    np.testing.assert_allclose(
        [b.get_width() for b in hardest], [o.push.max() for o in found.orders]
    )
    np.testing.assert_allclose([b.get_width() for b in mean], [o.push.mean() for o in found.orders])
    told = [text.get_text().strip() for text in bars.texts]
    assert told[0] == f"hardest {found.orders[0].push.max():.2f}"
    bold = [t.get_text() for t in bars.get_yticklabels() if t.get_fontweight() == "bold"]
    assert bold == [found.recommended.name]


def test_words(found):
    check_words(assembly_picture(found, found.recommended))
