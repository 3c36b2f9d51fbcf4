"""The letter: what stands in it, whose words, on which paper, and that it loads nothing."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from imu import report
from imu.compare import Pair, SwingSet, compare
from imu.contrast import NOT_YET
from imu.errors import CupbowError, UsageError
from imu.report import Reading, Words, draft_letter, letter_html, level_svg, load_words, save_words, wrist_svg
from tests.lessons import lesson


@pytest.fixture(scope="module")
def pair() -> Pair:
    r = np.random.default_rng(4)
    before = lesson(r, n=18, bands=True, zero_sd=0.8)
    after = lesson(r, n=21, bands=True, zero_sd=0.8, wrist=12.0, others={"shaft_past_level@top": -7.0})
    return compare([SwingSet.of("Lesson 1", before), SwingSet.of("Lesson 3", after)]).pairs[0]


def drafted(pair: Pair, **more: object) -> tuple[report.Letter, Words]:
    options = {
        "student": "Juno <Abara>",
        "coach": "Edda Quill",
        "when": ("12 April", "today"),
        "place": "Sandlark Heath",
        "date": "24 May",
        "lesson": "lesson 3, 7-iron",
        "until": "14 June",
    }
    return draft_letter(pair, **{**options, **more})  # type: ignore[arg-type]


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.hidden = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.hidden = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self.hidden = False

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.parts.append(data)


def visible(html: str) -> str:
    parser = _Text()
    parser.feed(html)
    return re.sub(r"\s+", " ", " ".join(parser.parts))


def test_letter_says_what_it_must(pair: Pair) -> None:
    letter, _ = drafted(pair)
    text = visible(letter_html(letter))
    top = pair.row("wrist_flexion@top").estimate
    assert top is not None
    assert "Dear Juno <Abara>," in text  # and nothing of a name is taken for a tag
    assert "At the top, the ruler still touches." in text
    assert "What has changed. Your wrist at the top is flatter, and your swing is shorter." in text
    assert "What we can’t say yet." in text
    assert f"{-top.mean_a:.0f}° cupped, ± " in text
    assert f"{-top.mean_b:.0f}° cupped, ± " in text
    assert "Until 14 June: three times a week" in text
    assert "clear the space around you" in text
    assert "not a medical opinion" in text
    assert "Means of 18 and 21 swings, three sensors" in text
    assert not re.search(r"[-−]\d+°", text), "students see sides, not signs"


def test_letter_loads_nothing_and_holds_its_fonts(pair: Pair) -> None:
    html = letter_html(drafted(pair)[0])
    urls = re.findall(r"""(?:url\(|src=|href=)["']?([^"')\s>]{0,40})""", html)
    assert urls
    assert all(u.startswith("data:font/woff2") for u in urls)
    assert "<script" not in html
    assert "@import" not in html
    bare = letter_html(drafted(pair)[0], embed_fonts=False)
    assert "data:" not in bare
    assert "Georgia" in bare


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.3, 841.9)), ("letter", (612.0, 792.0))])
def test_pdf_is_one_page_of_the_paper(pair: Pair, tmp_path: Path, paper: str, size: tuple[float, float]) -> None:
    letter, _ = drafted(pair, student="Juno")
    path = tmp_path / "letter.pdf"
    report.write_letter(letter, path, paper=paper)
    assert path.read_bytes().startswith(b"%PDF-")
    info, text, fonts = (shutil.which(t) for t in ("pdfinfo", "pdftotext", "pdffonts"))
    if not (info and text and fonts):
        pytest.skip("poppler's tools are not installed")
    said = subprocess.run([info, str(path)], capture_output=True, text=True, check=True).stdout
    assert re.search(r"Pages:\s+1\b", said)
    found = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", said)
    assert found
    assert tuple(map(float, found.groups())) == pytest.approx(size, abs=0.5)
    assert re.search(r"Title:\s+Letter to Juno", said)
    words = subprocess.run([text, "-layout", str(path), "-"], capture_output=True, text=True, check=True).stdout
    for must in ("Dear Juno,", "At the top, the ruler still touches.", "What has changed.", "week 3", "Edda"):
        assert must in words
    listed = subprocess.run([fonts, str(path)], capture_output=True, text=True, check=True).stdout.splitlines()[2:]
    assert {"Literata", "Atkinson"} <= {re.sub(r"^\w+\+([A-Za-z]+).*", r"\1", line) for line in listed}
    assert all(re.search(r"\byes\s+yes\b", line) for line in listed), "every font is embedded"


def test_long_letters_shrink_a_little_and_then_take_another_page(pair: Pair, tmp_path: Path) -> None:
    info = shutil.which("pdfinfo")
    if not info:
        pytest.skip("poppler's tools are not installed")
    letter, _ = drafted(pair)

    def pages(steps: int) -> int:
        words = replace(letter.words, steps=("Again. A slow swing, stop there, hold for three seconds.",) * steps)
        report.write_letter(replace(letter, words=words), tmp_path / "l.pdf", paper="letter")
        said = subprocess.run([info or "", str(tmp_path / "l.pdf")], capture_output=True, text=True, check=True).stdout
        found = re.search(r"Pages:\s+(\d+)", said)
        assert found
        return int(found[1])

    assert pages(6) == 1
    assert pages(30) > 1


def test_coachs_words_are_kept_and_drafts_follow_the_numbers(pair: Pair, tmp_path: Path) -> None:
    path = tmp_path / "juno.toml"
    assert load_words(path) is None
    letter, drafts = drafted(pair, kept=load_words(path))
    save_words(path, letter.words, drafts)
    text = path.read_text(encoding="utf-8")
    mine = 'Keep "it" flat\\ – até já'
    edited = text.replace(f"thought = {report._toml(drafts.thought)}", f"thought = {report._toml(mine)}", 1)
    assert edited != text
    path.write_text(edited, encoding="utf-8")

    other = compare([SwingSet(f"x{s.label}", s.parts) for s in (pair.b, pair.a)]).pairs[0]  # the other way round
    again, fresh = drafted(other, kept=load_words(path))
    assert again.words.thought == mine
    assert again.words.changed == fresh.changed != drafts.changed
    assert "more cupped" in again.words.changed
    save_words(path, again.words, fresh)
    assert drafted(other, kept=load_words(path))[0].words == again.words
    assert "Keep &quot;it&quot; flat\\ – até já" in letter_html(again)


def test_words_survive_the_file_whatever_they_hold(tmp_path: Path) -> None:
    words = Words(greeting='a "b"\n\\ c\t\x07 ’ 😀', steps=("One. Two.", ""), weeks=0)
    save_words(tmp_path / "w.toml", words, Words())
    back = load_words(tmp_path / "w.toml")
    assert back is not None
    assert back.words == words
    assert back.drafts == Words()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("schema = 3", "not a file of words"),
        ("nonsense", "mend that line"),
        ('schema = "cupbow.words/1"\nthougt = "x"', "thougt is not known"),
        ('schema = "cupbow.words/1"\nweeks = "three"', "weeks must be a int"),
        ('schema = "cupbow.words/1"\nweeks = 99', "between 0 and 8"),
        ('schema = "cupbow.words/1"\nsteps = "x"', "list of texts"),
        ("schema = \"cupbow.words/1\"\ngreeting = '\xff'", "UTF-8"),
    ],
)
def test_faults_in_the_words_are_one_line(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "w.toml"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(CupbowError, match=message) as caught:
        load_words(path)
    assert str(path) in str(caught.value)


def test_caution_stays_whatever_the_coach_writes(pair: Pair) -> None:
    letter, _ = drafted(pair)
    html = letter_html(replace(letter, words=replace(letter.words, caution="Mind the low net.")))
    assert "If the wrist hurts" in html
    assert "Mind the low net." in html


def test_no_change_is_not_dressed_up(pair: Pair) -> None:
    r = np.random.default_rng(1)
    still = compare([SwingSet.of(x, lesson(r, n=6)) for x in "AB"]).pairs[0]
    assert not still.changed
    letter, _ = drafted(still)
    assert letter.words.changed.startswith("Nothing yet")
    assert all(n.verdict == NOT_YET for n in letter.numbers)
    assert "more than chance and the sensors together would make" not in visible(letter_html(letter)).replace(
        "Nothing yet that is more than chance and the sensors together would make", ""
    )


def test_nothing_to_compare_is_no_letter() -> None:
    r = np.random.default_rng(1)
    single = compare([SwingSet.of(x, lesson(r, n=1)) for x in "AB"]).pairs[0]
    with pytest.raises(CupbowError, match="nothing to write home about"):
        drafted(single)


def test_wrong_paper_or_ending(pair: Pair, tmp_path: Path) -> None:
    letter, _ = drafted(pair)
    with pytest.raises(UsageError, match="paper"):
        letter_html(letter, paper="a5")
    with pytest.raises(UsageError, match=r"\.pdf or \.html"):
        report.write_letter(letter, tmp_path / "x.docx")
    assert not list(tmp_path.iterdir())


# -- drawings -------------------------------------------------------------------------------------
def points(path: str) -> list[tuple[float, float]]:
    return [(float(a), float(b)) for a, b in re.findall(r"[ML]\s*(-?[\d.]+) (-?[\d.]+)", path)]


@pytest.mark.parametrize("angle", [-40.0, -15.0, 15.0, 40.0])
def test_drawn_wrist_bends_by_the_angle_cup_to_the_left(angle: float) -> None:
    straight, bent = (
        points(ElementTree.fromstring(wrist_svg(a)).findall(".//path")[0].get("d") or "") for a in (0.0, angle)
    )

    def heading(p: list[tuple[float, float]]) -> float:
        return float(np.degrees(np.arctan2(p[1][0] - p[0][0], -(p[1][1] - p[0][1]))))  # clockwise from up

    assert heading(bent) - heading(straight) == pytest.approx(angle, abs=0.2)


def test_gap_under_the_ruler_grows_with_the_cup() -> None:
    def area(angle: float) -> float:
        d = ElementTree.fromstring(wrist_svg(angle)).findall(".//path")[1].get("d") or ""
        (ax, ay), (bx, by), (cx, cy) = points(d)
        return abs((bx - ax) * (cy - ay) - (cx - ax) * (by - ay)) / 2

    assert area(0.0) == pytest.approx(0.0, abs=1.0)
    assert 0 < area(-10) < area(-20) < area(-40)


def test_level_is_as_long_as_the_doubt_and_striped_across_a_mark() -> None:
    def bubble(u95: float, value: float) -> tuple[float, int]:
        svg = ElementTree.fromstring(level_svg(Reading("x", value, u95), (-10.0, 4.0), (-40.0, 20.0)))
        ellipse = svg.find("ellipse")
        assert ellipse is not None
        return float(ellipse.get("rx") or 0), len([p for p in svg.findall("path") if " L" in (p.get("d") or "")])

    assert bubble(12.0, -25.0)[0] == pytest.approx(1.5 * bubble(8.0, -25.0)[0], rel=0.02)
    assert bubble(5.0, -25.0)[1] == 0
    assert bubble(5.0, -8.0)[1] > 2
