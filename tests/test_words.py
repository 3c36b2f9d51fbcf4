"""The words of the results: complete in every language, none left over, and German sentences as a native writes them.

The German that is expected was written by hand for these tests: they are its source.
"""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from string import Formatter
from types import SimpleNamespace

import numpy as np
import pytest

import imu
from imu import words
from imu.cause_rules import load_rules
from imu.cause_words import ball_says, chain_says, says, size_words, title_words
from imu.causes import APART, BOTH, GEOMETRY, NEITHER, SWINGS, explain
from imu.compare import CHANGED, NOT_COMPARED, Pair, Row, SwingSet, compare
from imu.contrast import NOT_YET, Tell
from imu.curves import Span, span_words
from imu.one_change import candidates, costs_words, evidence_words, gives_words, overdone_words, rests_words
from imu.recording import ANGLES, EVENTS, SIGNS, TEMPO
from imu.report import Change, draft_letter, letter_html, letter_pdf
from imu.settings import CHOICES
from imu.wording import change_words, headline, measure_words, side_words, tell_words
from imu.words import FIRST, OWN, Told, listed, number, retold, told
from tests.chain_case import geometry, group, taught
from tests.lessons import lesson

OTHERS = [language for language in CHOICES["language"] if language != FIRST]
SOURCES = sorted(Path(imu.__file__).parent.rglob("*.py"))
NBSP = "\N{NO-BREAK SPACE}"


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text)


# -- complete ------------------------------------------------------------------------------------------
@pytest.mark.parametrize("language", OTHERS)
def test_every_language_has_every_key_with_the_same_fields(language):
    first, other = OWN.spoken(FIRST), OWN.spoken(language)
    assert set(other) == set(first)
    for key, text in other.items():
        unsaid = {"how"} if key == "read.no_roles" else set()  # an option of the command line
        assert _fields(text) == _fields(first[key]) - unsaid, key
        assert text.strip() == text or not text, key


def _fields(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


@pytest.mark.parametrize("language", OTHERS)
def test_sentences_are_really_another_language(language):
    first, other = OWN.spoken(FIRST), OWN.spoken(language)
    long = [key for key in first if len(re.sub(r"\{.*?\}", "", first[key]).split()) > 3]
    assert [key for key in long if other[key] == first[key]] == []


def test_the_sides_are_those_of_the_signs():
    said = {a: (words.say(f"plus.{a}"), words.say(f"minus.{a}")) for a in ANGLES}
    assert said == dict(SIGNS)


def test_every_measure_and_event_has_words():
    for language in CHOICES["language"]:
        for key in [f"{a}@{e}" for a in ANGLES for e in (*EVENTS, "top..shaft_level_down")]:
            assert measure_words(key, language=language)
            assert side_words(key, -12.0, language=language)
        assert all(measure_words(f"tempo@{t}", language=language) for t in TEMPO)
    assert measure_words("made_up@top", language="de") == "made up@top"


def _asked() -> tuple[set[str], list[re.Pattern[str]]]:
    """Every text in the sources, and what every text with fields in it may look like."""
    texts, made = set(), []
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                texts.add(node.value)
            elif isinstance(node, ast.JoinedStr):
                parts = [re.escape(p.value) if isinstance(p, ast.Constant) else ".+" for p in node.values]
                if re.match(r"[a-z_]+(\\\.|$)", parts[0]):  # it begins with the table's name
                    made.append(re.compile("".join(parts)))
    return texts, made


SIDES = ("plus", "minus", "plus_change", "minus_change", "is_more", "whether_more")
"""Tables whose names the code puts together."""


def test_no_word_is_left_over():
    """Stored reasons, sayings and sources are found by their English, so that their keys stand nowhere."""
    texts, made = _asked()
    left = []
    for key in OWN.spoken(FIRST):
        stem = re.sub(r"\.(one|many)$", "", key)
        stored = key.startswith(
            ("reason.", "saying.", "source.", "read.", "notice.", "filed.", *(f"{side}." for side in SIDES))
        )
        if not (stored or {key, stem} & texts or any(p.fullmatch(k) for p in made for k in (key, stem))):
            left.append(key)
    assert left == []


def test_every_word_that_is_asked_for_by_name_is_there():
    known = OWN.spoken(FIRST)
    for path in SOURCES:
        text = path.read_text(encoding="utf-8")
        if "imu.words" in text:
            for key in re.findall(r'\b(?:say|told)\(\s*"([a-z_.0-9]+)"', text):
                assert key in known, f"{path.name} asks for {key}"


def test_a_missing_field_or_key_is_a_fault():
    with pytest.raises(KeyError):
        words.say("tell.zero", language="de")
    with pytest.raises(KeyError):
        words.say("tell.nothing_like_it")


# -- the mechanism -------------------------------------------------------------------------------------
def test_a_language_that_lacks_a_word_says_it_in_english():
    assert words.say("headline.none", language="xx") == "Nothing here can be compared."


def test_what_is_told_is_english_until_it_is_retold_and_so_is_what_stands_in_its_fields():
    one = told("choice.few_readings", why=Told.by(retold, "no hand sensor"))
    assert one == "too few readings: no hand sensor"
    assert retold(one, "de") == "zu wenige Messungen: kein Sensor an der Hand"
    assert retold(one, "en") == one


def test_lists():
    assert [listed(list("abc")[:n], language="en") for n in range(4)] == ["", "a", "a and b", "a, b, and c"]
    assert [listed(list("abc")[:n], language="de") for n in range(4)] == ["", "a", "a und b", "a, b und c"]


def test_numbers():
    """Decimal comma and true minus: DIN 1333 (from memory); no minus before a zero."""
    assert number(-1.25, 2, language="de") == "−1,25"
    assert number(-1.25, 2) == "−1.25"
    assert number(3.0, 1, language="de", sign=True) == "+3,0"
    assert number(-0.04, 1, language="de", sign=True) == "0,0"
    assert size_words(1.3, 1.0, language="de") == f"1,3°{NBSP}±{NBSP}1,0"


# -- what stands in results ----------------------------------------------------------------------------
_READERS = ("readers/sensors", "readers/stamps", "readers/tables", "readers/units", "readers/folders")


def _reasons_in_the_code() -> Iterator[tuple[str, str]]:
    """Reasons as measuring writes them: what is handed to Value, Moment and lists of reasons, and what a function
    returns that says why."""
    for name in ("measuring", "whatif", "filtering", "calibration", "inspection", *_READERS):
        tree = ast.parse((Path(imu.__file__).parent / f"{name}.py").read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called.endswith(("Value", "Moment", "Guess")) and len(node.args) > 2:
                    yield from _texts(name, node.args[2])
                elif re.search(r"\b(reasons|doubts|notes)\.append$", called):
                    yield from _texts(name, node.args[0])
            elif isinstance(node, ast.FunctionDef) and re.match(r"_?(why|guessed)", node.name):
                for inner in ast.walk(node):
                    if isinstance(inner, ast.Return) and inner.value is not None:
                        yield from _texts(name, inner.value)
            elif isinstance(node, ast.Assign) and ast.unparse(node.targets[0]).startswith("missing["):
                yield from _texts(name, node.value)


def _texts(name: str, node: ast.expr) -> Iterator[tuple[str, str]]:
    """A reason, its fields filled with what may stand in them."""
    fills = {"part": "hand", "what": "shaft", "role": "club", "method": "vqf", "missing[0]": "hand"}
    if name.startswith(("readers", "inspection")):
        fills = {"what": "the time counter ran over", "times": "once", "how": "|a| while still is 7"}
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield name, node.value
    elif isinstance(node, ast.JoinedStr):
        parts = []
        for p in node.values:
            if isinstance(p, ast.Constant):
                parts.append(str(p.value))
            else:
                source = ast.unparse(p.value)  # type: ignore[attr-defined]
                plural = re.search(r"'(swings are|time of day)'", source)
                parts.append(plural[1] if plural else fills.get(source, "hang" if source.endswith("name") else "7"))
        yield name, "".join(parts)
    elif isinstance(node, ast.IfExp):
        yield from _texts(name, node.body)
        yield from _texts(name, node.orelse)
    elif isinstance(node, ast.BoolOp):
        for value in node.values:
            yield from _texts(name, value)


def test_every_reason_that_measuring_gives_is_known():
    found = set(_reasons_in_the_code())
    assert len(found) > 30
    unknown = [(name, text) for name, text in sorted(found) if len(text) > 3 and retold(text, "de") == text]
    assert unknown == []


def test_a_reason_within_a_reason_and_reasons_in_a_row():
    assert retold("no wrist reading at the top: no hang pose", "de") == (
        "oben keine Messung des Handgelenks: keine Haltung „Arm hängt“"
    )
    assert retold("the quality of this swing is poor; the wrist at the top is known to ±12° only", "de") == (
        "dieser Schwung ist schlecht gemessen; das Handgelenk oben ist nur auf ±12° bekannt"
    )
    assert retold("poses found from the motion: hang at 3.2 s, grip_flat at 14.0 s", "de") == (
        "Haltungen aus der Bewegung gefunden: „Arm hängt“ bei 3,2 s, „Griff, Handgelenk flach“ bei 14,0 s"
    )
    assert retold("the net was low, and it was windy", "de") == "the net was low, and it was windy"


def test_notices_of_a_session():
    """As `imu.readers.virtual` and `imu.readers.ble` write them."""
    assert retold("hand (Knit 7) lost its link; calling it back, the others go on", "de") == (
        "Hand (Knit 7) hat die Verbindung verloren; er wird zurückgerufen, die anderen laufen weiter"
    )
    assert retold("club (club.csv) is back after 2.5 s", "de") == "Schläger (club.csv) ist nach 2,5 s wieder da"
    assert retold("club (club.csv) is back", "de") == "Schläger (club.csv) ist wieder da"


def test_changes_of_the_library_are_known():
    found = set()
    for path in (Path(imu.__file__).parent / "library").glob("*.py"):
        found |= set(re.findall(r'library\.write\("([a-z ]+)"\)', path.read_text(encoding="utf-8")))
    assert len(found) > 20
    assert sorted(t for t in found if retold(t, "de") == t) == []


def test_shipped_rules_and_bands_are_known():
    from imu.bands import shipped

    rules = load_rules()
    texts = [t for r in (*rules.rules, *rules.balls) for t in (r.says, r.source)]
    texts += [b.source for b in (*shipped().bands, *shipped().limits)]
    assert [t for t in texts if retold(t, "de") == t] == []


# -- comparisons, in German ----------------------------------------------------------------------------
def _row(key: str, before: float, now: float, verdict: str, *, sdc: float = 5.0, tell: Tell | None = None, **more):
    e = SimpleNamespace(
        mean_a=before,
        mean_b=now,
        difference=now - before,
        half_width=lambda alpha=0.05: sdc,
        u_mean_a=0.9,
        u_mean_b=0.9,
        n_a=18,
        n_b=21,
        zero_u95=4.0,
        tell=lambda alpha: tell,
    )
    return Row(key, True, verdict, estimate=e, **more)  # type: ignore[arg-type]


def _pair(*rows: Row) -> Pair:
    worn = lesson(np.random.default_rng(1), n=3)  # for its sensors
    return Pair(SwingSet("vorher", ()), SwingSet.of("heute", worn), rows, ())


WRIST = _row("wrist_flexion@top", -21, -9, CHANGED, band=(-10.0, 4.0))
LONG = _row("shaft_past_level@top", 9, 2, CHANGED, band=(-8.0, 2.0))
OPEN = _row("face_to_forearm@top", 18, 14, NOT_YET, tell=Tell("each", 7))
LOST = "wrist_flexion@top..shaft_level_down"


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([WRIST], "Eines hat sich geändert: Das Handgelenk oben ist flacher."),
        (
            [WRIST, _row("wrist_flexion@impact", -8, -1, CHANGED), LONG, OPEN],
            "Drei Dinge haben sich geändert: Das Handgelenk oben und im Treffen ist flacher, und der Schwung ist "
            "kürzer. Das Blatt zum Arm oben hat sich vielleicht auch geändert; es ist zu früh, das zu sagen.",
        ),
        (
            [_row("forearm_roll@shaft_level_down", 40, 48, NOT_YET), _row(LOST, 2, 10, NOT_YET)],
            "Noch steht keine Änderung fest. Der Unterarm bei waagrechtem Schaft im Abschwung und die Änderung des "
            "Handgelenks von oben bis zum waagrechten Schaft im Abschwung sehen anders aus; es ist zu früh, das zu "
            "sagen.",
        ),
        (
            [
                _row("wrist_deviation@top", -20, -30, CHANGED),
                _row(LOST, 2, 10, CHANGED),
                _row("tempo@backswing_s", 0.8, 0.9, CHANGED, sdc=0.05),
            ],
            "Drei Dinge haben sich geändert: Das Winkeln oben ist stärker, die Änderung des Handgelenks von oben bis "
            "zum waagrechten Schaft im Abschwung geht stärker zum Beugen, und der Rückschwung ist langsamer.",
        ),
        ([Row("face_to_forearm@top", True, NOT_COMPARED)], "Hier lässt sich nichts vergleichen."),
    ],
)
def test_headlines(rows, said):
    assert headline(_pair(*rows), language="de") == said


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (WRIST, "12° flacher"),
        (_row("tempo@ratio", 3.0, 3.25, CHANGED, sdc=0.1), "0,25 höher"),
        (_row("tempo@backswing_s", 0.8, 0.85, NOT_YET, sdc=0.06), "vielleicht 0,05 s langsamer"),
        (_row("face_since_address@impact", -6, -2, NOT_YET), "vielleicht 4° weniger geschlossen"),
        (_row(LOST, 10, 2, CHANGED), "8° stärker zum Strecken"),
        (_row("wrist_flexion@top", -3, 1, NOT_YET, sdc=9.0), "noch nichts zu sehen"),
        (
            Row("wrist_flexion@top", True, NOT_COMPARED, reason="no hand sensor"),
            "nicht zu sagen: kein Sensor an der Hand",
        ),
    ],
)
def test_changes(row, said):
    assert change_words(row, language="de") == said


@pytest.mark.parametrize(
    ("tell", "said"),
    [
        (Tell("later", 1), "1 weiterer Schwung jetzt würde es zeigen"),
        (Tell("each", 30), "je 30 weitere Schwünge würden es zeigen"),
        (Tell("never", limit="zero"), "weitere Schwünge zeigen es nicht: Die Nullpunkte allein machen ±4° aus"),
        (
            Tell("never", limit="small"),
            "wenn sich etwas geändert hat, dann um weniger als 8°; weitere Schwünge zeigen es nicht so bald",
        ),
    ],
)
def test_what_would_tell(tell, said):
    assert tell_words(_row("wrist_flexion@top", -21, -18, NOT_YET, tell=tell), language="de") == said


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("wrist_flexion@top", -20.6, f"21°{NBSP}überstreckt"),
        ("wrist_flexion@top", 0.2, "flach"),
        ("wrist_flexion@top..shaft_level_down", 12.0, f"12°{NBSP}zum Beugen"),
        ("shaft_past_level@top", 9.0, f"9°{NBSP}über waagrecht"),
        ("tempo@ratio", 3.14, "3,1"),
        ("tempo@backswing_s", 0.857, "0,86 s"),
    ],
)
def test_sides(key, value, said):
    assert side_words(key, value, language="de") == said


def test_stretches_of_a_curve():
    places = ("address", "top", "impact")
    assert span_words(Span(0.0, 1.7, 1), places, language="de") == "vom Ansprechen bis kurz vor dem Treffen"
    assert span_words(Span(0.8, 1.05, 1), places, language="de") == "von kurz vor dem höchsten Punkt bis oben"
    assert span_words(Span(1.0, 1.1, 1), places, language="de") == "oben"


def test_cautions():
    r = np.random.default_rng(5)
    before = lesson(r, n=3, zero_sd=2.0, club="Eisen 7")
    now = lesson(r, n=9, zero_sd=2.0, club="Driver", wrist=12.0)
    cautions = compare([SwingSet.of("12. April", before), SwingSet.of("heute", now)]).pairs[0].cautions
    said = {retold(c.lead, "de"): retold(c.text, "de") for c in cautions}
    assert said["Verschiedene Schläger:"] == "Eisen 7 und Driver. Ein anderer Schläger ändert den Schwung."
    assert said["Wenige Schwünge:"] == (
        "3 aus 12. April. Die Bereiche sind weit, und Ausreißer sind nicht zu erkennen."
    )
    assert said["Zwischen den Sätzen neu eingerichtet:"].startswith("Die Nullpunkte allein machen bis zu ±")
    assert str(cautions[0]) == "Different clubs: Eisen 7 and Driver. A club changes the swing."


# -- causes, in German ---------------------------------------------------------------------------------
def _effect(value: float, u95: float):
    return SimpleNamespace(value=value, u95=u95, told=abs(value) > u95)


def _link(**more):
    link = {
        "rule": SimpleNamespace(
            cause="wrist_flexion@top",
            effect="face_to_forearm@top",
            says="Cupping the wrist at the top opens the face to the arm, bowing closes it.",
        ),
        "cause_out": SimpleNamespace(deg=-12.0, sure=True),
        "effect_out": SimpleNamespace(deg=8.0, sure=True),
        "geometry": _effect(-0.85, 0.1),
        "no_geometry": None,
        "swings": _effect(-0.9, 0.2),
        "slope": SimpleNamespace(swings=34, reason=None),
        "notes": (),
        "verdict": BOTH,
        "swings_to_tell": 12,
        "left_out": {},
        "contradicts": False,
        "explained": _effect(10.2, 2.0),
    }
    return SimpleNamespace(**(link | more))


STEEP = {"rule": SimpleNamespace(cause=LOST, effect="shaft_off_plane@shaft_level_down", says="Its own saying.")}
ROLL = {"rule": SimpleNamespace(cause="forearm_roll@shaft_level_down", effect="shaft_past_level@top", says="")}


@pytest.mark.parametrize(
    ("link", "said"),
    [
        (
            _link(),
            "Nach der Geometrie, wenn der übrige Körper bleibt, wie er ist: Wer das Handgelenk oben 10° stärker beugt, "
            "macht das Blatt zum Arm oben 8° ± 1 geschlossener. Von Schwung zu Schwung zeigt sich dasselbe: 9° ± 2 "
            "geschlossener (34 Schwünge).",
        ),
        (
            _link(**STEEP, swings=_effect(0.1, 0.4), verdict=GEOMETRY, swings_to_tell=None, contradicts=True),
            "Nach der Geometrie, wenn der übrige Körper bleibt, wie er ist: Wer das Handgelenk von oben bis zum "
            "waagrechten Schaft im Abschwung 10° weiter beugt, macht den Schaft bei waagrechtem Schaft im Abschwung "
            "8° ± 1 flacher. Die 34 Schwünge können es noch nicht sagen (+1° ± 4); mehr davon auch nicht, aber "
            "Schwünge, die sich darin mit Absicht stärker unterscheiden. Das widerspricht dem, was man gewöhnlich "
            "sagt (Its own saying).",
        ),
        (
            _link(**ROLL, cause_out=None, geometry=None, no_geometry="not known to geometry", verdict=SWINGS),
            "Was für den Schwung folgt, wenn man den Unterarm bei waagrechtem Schaft im Abschwung 10° stärker proniert, "
            "kann die Geometrie nicht sagen: der Geometrie nicht bekannt. Von Schwung zu Schwung war es dabei 9° ± 2 "
            "kürzer (34 Schwünge); was sich sonst mitbewegt, ist nicht bekannt.",
        ),
        (
            _link(
                geometry=_effect(0.0, 0.2),
                swings=None,
                verdict=NEITHER,
                slope=SimpleNamespace(swings=3, reason="too few swings: 3; from about 8 on they can tell"),
                left_out={"not measured": 2},
            ),
            "Nach der Geometrie, wenn der übrige Körper bleibt, wie er ist: Wer das Handgelenk oben 10° stärker beugt, "
            "ändert das Blatt zum Arm oben nicht sicher (0° ± 2). Die Schwünge können es nicht sagen: zu wenige "
            "Schwünge: 3; ab etwa 8 können sie es sagen. Ausgelassen: 2 (nicht gemessen).",
        ),
        (
            _link(verdict=APART, swings=_effect(0.3, 0.2)),
            "Nach der Geometrie, wenn der übrige Körper bleibt, wie er ist: Wer das Handgelenk oben 10° stärker beugt, "
            "macht das Blatt zum Arm oben 8° ± 1 geschlossener. Von Schwung zu Schwung war es dabei 3° ± 2 offener "
            "(34 Schwünge): Etwas anderes bewegt sich mit.",
        ),
    ],
)
def test_a_link_in_german(link, said):
    assert plain(says(link, language="de")) == said


def _account(*concluded, out: tuple[str, ...] = ("wrist_flexion@top",), **more):
    found = {
        "refused": None,
        "bands": dict.fromkeys(out),
        "departure": lambda key: SimpleNamespace(sure=True),
        "concluded": concluded,
        "balls": (),
    }
    return SimpleNamespace(**(found | more))


@pytest.mark.parametrize(
    ("account", "said"),
    [
        (
            _account(_link()),
            "Das Handgelenk oben liegt 12° außerhalb des Bands (überstreckt). Nach der Geometrie wird dadurch das Blatt "
            "zum Arm oben 10° ± 2 offener: mehr als die 8° außerhalb des Bands. Die Schwünge zeigen dasselbe.",
        ),
        (
            _account(_link(**STEEP, verdict=SWINGS, explained=_effect(-3.0, 1.0))),
            "Das Handgelenk von oben bis zum waagrechten Schaft im Abschwung liegt 12° außerhalb des Bands "
            "(überstreckt). Dadurch wird der Schaft bei waagrechtem Schaft im Abschwung 3° ± 1 flacher: Das verdeckt "
            "einen Teil von dem, was dort außerhalb liegt; behebt man nur dies, kommt mehr davon zum Vorschein. Die "
            "Schwünge zeigen es; die Geometrie kann es nicht sagen.",
        ),
        (
            _account(out=("wrist_flexion@top", "face_to_forearm@top")),
            "Das Handgelenk oben und das Blatt zum Arm oben liegen sicher außerhalb ihrer Bänder; was dazu führt, ist "
            "nicht zu sagen.",
        ),
        (_account(out=()), "Nichts liegt sicher außerhalb seines Bands, also gibt es nichts zu erklären."),
        (_account(refused="one swing leads to no conclusion"), "Ein Schwung erlaubt keinen Schluss."),
    ],
)
def test_the_chain_in_german(account, said):
    assert plain(chain_says(account, language="de")) == said


def test_the_ball_in_german():
    ball = SimpleNamespace(
        rule=SimpleNamespace(reading="face_since_address@impact", flight="start", says=""),
        slope=SimpleNamespace(known=True, value=4.2, half_width=lambda alpha: 1.1, swings=28),
        alpha=0.05,
        notes=(),
        told=True,
        contradicts=False,
    )
    assert plain(ball_says(ball, language="de")) == (
        "Mit jedem Schritt des Starts zur offenen Seite war das Blatt zum Ziel im Treffen 4° ± 1 offener (28 Bälle)."
    )


def test_candidates_in_german():
    assert title_words("wrist_flexion@top", 12.0, language="de") == "Handgelenk oben 12° stärker beugen"
    assert title_words(LOST, -5.0, language="de") == (
        "Handgelenk von oben bis zum waagrechten Schaft im Abschwung 5° weiter strecken"
    )
    today = group("heute", taught(np.random.default_rng(1), n=18, zero=0.5))
    found = candidates(explain(today, geometry=geometry()))
    best = found.ranked[0]
    assert retold(best.title, "de") == title_words(best.key, best.deg, language="de")
    assert plain(gives_words(best, language="de")).startswith("das Blatt zum Arm oben ")
    assert rests_words(best, language="de").startswith("der eigenen Geometrie in 12 Schwüngen")
    for why in found.passed_over.values():
        assert retold(why, "de").startswith("es hat kein Band, und nichts, was es beheben könnte")


def test_what_was_kept_of_a_pick_is_said_as_it_would_be_said_now():
    """From the numbers of its JSON, in any language; in English as it was kept."""
    rng = np.random.default_rng(3)
    for _ in range(8):
        today = group("heute", taught(rng, n=16, zero=0.5))
        for c in candidates(explain(today, geometry=geometry())).ranked:
            kept = c.to_json()
            assert evidence_words(kept, language="de") == {
                "gives": gives_words(c, language="de"),
                "costs": costs_words(c, language="de"),
                "overdone": overdone_words(c, language="de"),
                "rests_on": rests_words(c, language="de"),
            }
            assert evidence_words(kept) == kept["says"]
    assert evidence_words({}, language="de") == {}


# -- the letter, in German -----------------------------------------------------------------------------
LETTER = (
    "Lerchenheide · 24. Mai Stunde 3, Eisen 7 Hallo Juno, Oben liegt das Lineal noch an. Das ist für jetzt der ganze "
    "Gedanke. Denk an das Lineal vom Einrichten, das an Unterarm und Handrücken liegt. Oben soll es noch beide "
    "berühren, ohne Lücke am Handgelenk. Vorher eine Lücke unter dem Lineal: 21° überstreckt, ± 2° Heute eine Lücke "
    "unter dem Lineal: 9° überstreckt, ± 2° Was sich geändert hat. Dein Handgelenk oben ist flacher, und dein Schwung "
    "ist kürzer. Beides ist mehr, als Zufall und Sensoren zusammen ausmachen. Was wir noch nicht sagen können. Ob dein "
    "Blatt zum Arm oben weniger offen ist: Es sieht so aus; etwa 7 weitere Schwünge werden es zeigen. Dein Handgelenk "
    "im Treffen: diesmal nicht gemessen. Bis 14. Juni: dreimal in der Woche, zehn Minuten Beide Enden spüren. Das "
    "Handgelenk sachte überstrecken. Sachte beugen. Dazwischen das Lineal finden. Sechsmal. Oben halten. Ein langsamer "
    "Schwung, dort anhalten, drei Sekunden halten. Zwanzigmal. Nur bei jedem zweiten Versuch auf die Anzeige schauen. "
    "Fünf im Dunkeln. Dasselbe, ohne hinzuschauen. Sag erst, wo es deiner Meinung nach war, dann sieh nach. Woche 1 "
    "Woche 2 Woche 3 Die Zahlen, für Neugierige Vorher Heute Handgelenk oben 21° überstreckt, ± 2 9° überstreckt, ± 2 "
    "geändert Über waagrecht 9° über waagrecht, ± 2 2° über waagrecht, ± 2 geändert Blatt zum Arm oben 18° offen, ± 2 "
    "14° offen, ± 2 noch nicht unterscheidbar Die Blase ist so lang wie der Zweifel: Zwischen den Marken liegt der Wert "
    "in deinem Band, über einer Marke ist es zu knapp zum Entscheiden. Bitte: Schaffe vor jedem Schwung Platz um dich "
    "und sieh nach, ob die Sensoren fest sitzen. Wenn das Handgelenk wehtut, knackt oder kribbelt, hör auf und lass es "
    "ansehen. Drücke es nie bis ans Ende seiner Beweglichkeit. Eine Messung ist kein ärztlicher Rat. Bis 14. Juni Edda "
    "Mittel aus 18 und 21 Schwüngen, drei Sensoren; ± ist die 95-%-Unsicherheit eines Mittels. Erstellt mit cupbow von "
    "Edda Quill."
)
NOT_MEASURED = Row("wrist_flexion@impact", True, NOT_COMPARED, reason="no hand sensor")


def _letter(*rows: Row, **more):
    to = {"student": "Juno", "coach": "Edda Quill", "until": "14. Juni", "language": "de"}
    to |= {"place": "Lerchenheide", "date": "24. Mai", "lesson": "Stunde 3, Eisen 7"}
    return draft_letter(_pair(*rows), **(to | more))[0]


def _visible(html: str) -> str:
    body = re.sub(r"(?s).*<body>", "", html)
    return plain(re.sub(r"<[^>]+>", " ", body)).strip().replace(" . ", ". ")


def test_the_letter_in_full():
    html = letter_html(_letter(WRIST, LONG, OPEN, NOT_MEASURED), embed_fonts=False)
    assert '<html lang="de">' in html
    assert "<title>Brief an Juno</title>" in html
    assert "Handgelenk 21°\N{NO-BREAK SPACE}überstreckt, Lineal entlang von Unterarm und Handrücken" in html
    assert "über einer Marke, zu knapp zum Entscheiden" in html
    assert _visible(html) == LETTER


def test_the_letter_as_pdf(tmp_path):
    text = shutil.which("pdftotext")
    if text is None:
        pytest.skip("pdftotext is not installed")
    (tmp_path / "brief.pdf").write_bytes(letter_pdf(_letter(WRIST, LONG, OPEN, NOT_MEASURED)))
    done = subprocess.run([text, "-layout", tmp_path / "brief.pdf", "-"], capture_output=True, text=True, check=True)
    shown = plain(done.stdout)
    for must in (
        "Hallo Juno,",
        "Oben liegt das Lineal noch an.",
        "Was wir noch nicht sagen",
        "21° überstreckt",
        "noch nicht",
        "Woche 3",
        "Bis 14. Juni",
        "Eine Messung ist kein ärztlicher Rat.",
    ):
        assert must in shown
    assert re.findall(r"\b(?:the|and|is|with|would|week)\b", shown) == []


def test_the_letter_says_where_the_change_is_to_lead():
    change = Change("forearm_roll@shaft_level_down", 20.0, 35.0, "", weeks=2, times_a_week=4)
    words = _letter(WRIST, _row("forearm_roll@shaft_level_down", 40, 44, NOT_YET), change=change).words
    assert words.thought == "Ein Gedanke für die nächsten Wochen."
    assert plain(words.picture) == (
        "Es geht um deinen Unterarm bei waagrechtem Schaft im Abschwung: jetzt 44° Pronation, ± 2°. Es soll zwischen "
        "20° Pronation und 35° Pronation kommen."
    )
    assert words.drill == "Bis 14. Juni: viermal in der Woche, zehn Minuten"
    assert _letter(OPEN).words.changed == (
        "Noch nichts, was über das hinausgeht, was Zufall und Sensoren zusammen ausmachen."
    )


def test_tenths_on_paper_take_a_comma():
    letter = _letter(_row("tempo@ratio", 3.0, 3.4, CHANGED, sdc=0.1))
    assert letter.numbers[0].now.words == f"3,4, ±{NBSP}1,76"
    assert letter.words.changed.startswith("Dein Tempoverhältnis ist höher.")
