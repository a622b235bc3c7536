"""What the pages say of each other is so."""

import math
import re

from support import DEMO

from kit.detection import DetectionCurve, PodRegister

DOCS = DEMO.parent / "docs"


def test_the_error_of_looks_taken_as_perfect_is_that_of_the_recovery_page():
    """docs/recovery.md gives the bias of the log of the tenth-age, docs/engines.md the same as a percentage."""
    row = next(
        line
        for line in (DOCS / "recovery.md").read_text(encoding="utf-8").splitlines()
        if "looks find 0.6 and are taken as perfect (the wrong way) | age at 10 %" in line
    )
    bias = float(re.search(r"\| \+(0\.\d+) \u00b1", row)[1])
    said = re.search(r"a tenth-age too late by (\d+) %", (DOCS / "engines.md").read_text(encoding="utf-8"))
    assert int(said[1]) == round(100 * math.expm1(bias))


def test_a50_is_half_of_the_plateau_and_every_page_that_explains_it_says_so():
    curve = DetectionCurve(20.0, 4.0, 0.8)
    assert curve.pod([curve.a50])[0] == 0.4
    assert curve.pod50 > curve.a50
    for page in ("glossary.md", "method.md", "pods.md", "questions.md"):
        assert "half as often as the plateau" in (DOCS / page).read_text(encoding="utf-8"), page


def test_the_published_tap_sizes_say_their_dents_and_false_calls():
    """Genest, Pant, Khan, Mandache, Klishch, ICAF 2023, abstract 55, as read: 70 sites, dents among them."""
    table = PodRegister().to_frame().set_index("name")
    for name in ("published-manual", "published-automated"):
        assert "dents, disbonds and both together" in table.loc[name, "source"]
        assert "false calls up to three times fewer" in table.loc[name, "source"]
