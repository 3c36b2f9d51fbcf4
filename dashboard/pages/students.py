"""The library's pages: students, a student, a lesson.

Their links hold identities only, never names: `/students`, `/students/<student>`,
`/students/lesson/<lesson>`. What is typed into a search stays out of the address as well.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard import components as ui
from dashboard import forgetting, one_change
from dashboard.components import _Drawn
from dashboard.figures import cell
from dashboard.pages import Page
from dashboard.pages.compare import Choice
from dashboard.service import FILED, Service
from dashboard.words import LANGUAGE, count, group, listed, reasons, retold, say
from imu.errors import CupbowError
from imu.library import Library, filing, finding
from imu.library.finding import FiledSwing, Wanted
from imu.library.schema import CURVES, STRIKES, Lesson, Recording, Student, Try
from imu.measured import Value
from imu.recording import KINDS
from imu.settings import Settings, load_settings

PATH = "/students"
STEP = 50
"""Swings that a student's page shows at first."""

LEVEL_ASPECT = 54 / 14


class _Asking(_Drawn):
    """Each `asks` more, `ask` holds what is wanted."""

    _prop_names = ["id", "figure", "ask", "asks"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(
        self,
        id: str | None = None,
        figure: dict[str, Any] | None = None,
        ask: dict[str, Any] | None = None,
        asks: int | None = None,
    ) -> None:
        super().__init__(id=id, figure=figure, ask=ask, asks=asks)


class Students(_Asking):
    """Everyone, with a search that answers at once and a form for a new student."""

    _type = "Students"


class StudentSwings(_Asking):
    """A student's lessons and swings; `ask` is `{"filter": {...}}`."""

    _type = "Student"


class LessonSwings(_Asking):
    """A lesson's recordings and swings, and what can be corrected there."""

    _type = "Lesson"


def layout(service: Service) -> html.Div:
    return html.Div([forgetting.poll(), html.Div(id="students-body")], id="students-page")


def register(app: Dash, service: Service) -> None:
    """Callbacks; each works in a thread."""

    @app.callback(Output("students-body", "children"), Output("forget-poll", "disabled"), Input("url", "pathname"))
    async def show(pathname: str) -> Any:
        if not _ours(pathname):
            return [], True
        identity = pathname.removeprefix(PATH).strip("/")
        if (state := service.forgetting(identity)) is not None:
            return forgetting.view(state, identity, PATH), state.over
        return await asyncio.to_thread(_guarded, service, lambda library: view(library, pathname)), True

    @app.callback(
        Output("students-body", "children", allow_duplicate=True),
        Input("students-list", "asks"),
        State("students-list", "ask"),
        prevent_initial_call=True,
    )
    async def enter(asks: int | None, ask: dict[str, Any] | None) -> Any:
        if not asks or not ask:
            return no_update

        def work(library: Library) -> Any:
            hand = "left" if ask.get("hand") == "left" else "right"
            filing.add_student(library, name=str(ask.get("add", "")), handedness=hand)  # type: ignore[arg-type]
            return view(library, PATH)

        return await asyncio.to_thread(_guarded, service, work, create=True)

    @app.callback(
        Output("students-swings", "figure"),
        Input("students-swings", "asks"),
        State("students-swings", "ask"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    async def choose(asks: int | None, ask: dict[str, Any] | None, pathname: str) -> Any:
        if not asks or not ask:
            return no_update
        identity = pathname.removeprefix(PATH).strip("/")

        def work(library: Library) -> Any:
            return student_figure(library, _student(library, identity), ask.get("filter") or {})

        return await asyncio.to_thread(_guarded, service, work)

    @app.callback(
        Output("students-body", "children", allow_duplicate=True),
        Input("students-lesson", "asks"),
        State("students-lesson", "ask"),
        State("url", "pathname"),
        prevent_initial_call=True,
    )
    async def correct(asks: int | None, ask: dict[str, Any] | None, pathname: str) -> Any:
        if not asks or not ask:
            return no_update
        identity = pathname.removeprefix(PATH).strip("/").removeprefix("lesson/")
        return await asyncio.to_thread(_guarded, service, lambda library: corrected(library, identity, ask, asks))

    forgetting.register(app, service, page=PATH, body="students-body")
    one_change.register(app, service, "students")


PAGE = Page(PATH, say("students.page"), layout, register)


def _ours(pathname: str | None) -> bool:
    return (pathname or "") == PATH or (pathname or "").startswith(PATH + "/")


def _guarded(service: Service, work: Callable[[Library], Any], *, create: bool = False) -> Any:
    """Work on the library, or the box that says what is wrong."""
    try:
        library = service.open_library(create=create)
        if library is None:
            return [
                html.H1(say("students.say_none"), className="say"),
                html.P(say("students.none_do"), className="say-under"),
                Students(id="students-list", figure=_students_figure([], load_settings())),
            ]
        with library:
            return work(library)
    except CupbowError as error:
        return ui.fault(retold(str(error)), say("student.unknown_do"))


def view(library: Library, pathname: str) -> list[Any]:
    rest = pathname.removeprefix(PATH).strip("/")
    if not rest:
        return _everyone(library)
    if rest.startswith("lesson/"):
        lesson = _lesson(library, rest.removeprefix("lesson/"))
        if lesson is None:
            return [ui.fault(say("lesson.unknown"), say("student.unknown_do"), action=_to_list())]
        return _one_lesson(library, lesson)
    student = _student(library, rest)
    if student is None:
        return [ui.fault(say("student.unknown"), say("student.unknown_do"), action=_to_list())]
    return _one_student(library, student)


def _to_list() -> html.A:
    extra: dict[str, Any] = {"data-go": ""}
    return html.A(say("students.page"), href=PATH, className="button", **extra)


def _student(library: Library, identity: str) -> Student | None:
    with library.read() as session:
        return session.get(Student, identity)


def _lesson(library: Library, identity: str) -> Lesson | None:
    with library.read() as session:
        return session.get(Lesson, identity)


# -- everyone --------------------------------------------------------------------------------------


def _everyone(library: Library) -> list[Any]:
    lines = finding.students(library)
    said = count("students.say", len(lines)) if lines else say("students.say_none")
    return [
        html.H1(said, className="say"),
        html.P(say("students.none_do"), className="say-under") if not lines else None,
        Students(id="students-list", figure=_students_figure(lines, load_settings())),
    ]


def _students_figure(lines: Sequence[finding.StudentLine], settings: Settings) -> dict[str, Any]:
    today = date.today()
    return {
        "words": group("students"),
        "students": [
            {
                "id": line.student.id,
                "href": f"{PATH}/{line.student.id}",
                "name": line.student.name,
                "text": " ".join((line.student.name, line.student.aims, *line.student.clubs)),
                "hand": say(f"students.{line.student.handedness}"),
                "lessons": line.lessons,
                "practices": line.practices,
                "swings": line.swings,
                "last": settings.date(line.last_at) if line.last_at else say("students.never"),
                "minor": line.student.needs_consent(today),
            }
            for line in lines
        ],
    }


# -- a student -------------------------------------------------------------------------------------


def _one_student(library: Library, student: Student) -> list[Any]:
    figure = student_figure(library, student, {})
    lessons = sum(x["lesson"] for x in figure["lessons"])
    practices = len(figure["lessons"]) - lessons
    held = [count("student.lessons", lessons)] if lessons or not practices else []
    held += [count("student.practices", practices)] if practices else []
    n = figure["count"]
    words = {"name": student.name, "lessons": listed(held)}
    said = count_with("student.say", n, words) if n else say("student.say_none", name=student.name)
    return [
        html.H1(said, className="say"),
        html.Div([html.Span(fact) for fact in _facts(student)], className="facts"),
        StudentSwings(id="students-swings", figure=figure),
        forgetting.place(),
    ]


def _facts(student: Student) -> list[Any]:
    settings, today = load_settings(), date.today()
    facts: list[Any] = [say(f"app.{student.handedness}_lead")]
    age = student.age_on(today)
    if age is not None:
        facts.append(say("student.born", age=age))
    if student.consent_on:
        who = student.guardian or say("student.guardian_given")
        facts.append(say("student.guardian", who=who, day=settings.date(student.consent_on)))
    elif student.needs_consent(today):
        facts.append(html.Strong(say("student.consent"), className="warn"))
    for name, text in (("clubs", ", ".join(student.clubs)), ("aims", student.aims), ("notes", student.notes)):
        if text:
            facts.append(say(f"student.{name}", **{name: text}))
    return facts


def student_figure(library: Library, student: Student | None, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Lessons, and the swings that a filter lets through: `text`, `club`, `kind`, `counted` (yes, no), `limit`."""
    if student is None:
        raise CupbowError(say("student.unknown"))
    settings = load_settings()
    counted = {"yes": True, "no": False}.get(str(asked.get("counted", "")))
    wanted = Wanted(
        student_id=student.id,
        club=str(asked.get("club") or "") or None,
        kind=asked["kind"] if asked.get("kind") in KINDS else None,
        counted=counted,
        text=str(asked.get("text") or "")[:200],
    )
    limit = min(max(int(asked.get("limit") or STEP), STEP), 5000)
    swings = finding.measured_swings(library, wanted, limit=limit)
    tried = finding.tried(library, student_id=student.id)
    return {
        "words": group("student") | {k: say(f"lesson.{k}") for k in ("swing", "wrist", "ball")},
        "step": STEP,
        "wanted": dict(asked),
        "count": finding.count_swings(library, wanted),
        "clubs": finding.clubs_of(library, student_id=student.id),
        "kinds": [[kind, say(f"kind.{kind}")] for kind in KINDS],
        "lessons": [
            {
                "id": line.lesson.id,
                "href": f"{PATH}/lesson/{line.lesson.id}",
                "day": settings.date(line.lesson.held_at),
                "kind": say(f"student.{line.lesson.kind}"),
                "lesson": line.lesson.kind == "lesson",
                "clubs": ", ".join(line.clubs),
                "swings": line.swings,
                "left_out": line.left_out,
                "thought": line.lesson.thought or _done(tried.get(line.lesson.id), line.lesson.hurt),
            }
            for line in finding.lessons(library, student_id=student.id)
        ],
        "swings": [_row(filed, settings) for filed in swings],
    }


def _done(tries: tuple[int, int] | None, hurt: str) -> str:
    """What a practice session was, in the list of lessons."""
    parts = [count("practice.done", tries[0], held=tries[1])] if tries else []
    return ", ".join([*parts, *([say("practice.hurt")] if hurt else [])])


def _row(filed: FiledSwing, settings: Settings) -> dict[str, Any]:
    line, measured = filed.line, filed.measured
    value = measured.angles.get("wrist_flexion", {}).get("top", Value(None, None, say("value.reason")))
    if measured.grade == "poor":  # a number would say that there is a reading
        value = Value(None, None, measured.reasons[0] if measured.reasons else say("grade.poor"))
    shown = cell("wrist_flexion", value, measured.bands.get("wrist_flexion@top"), aspect=LEVEL_ASPECT)
    ball = [say(f"lesson.ball_{line.start}")] if line.start else []
    ball += [say(f"flight.curving_{line.curve}")] if line.curve else []
    ball += [say(f"flight.strike_{line.strike}")] if line.strike else []
    ball += [settings.distance(line.carry_m)] if line.carry_m is not None else []
    return {
        "id": line.id,
        "n": line.number,
        "href": f"/swings/{FILED}{line.recording_id}?swing={line.number}",
        "day": settings.date(line.held_at),
        "club": line.club,
        "kind": say(f"kind.{line.kind}"),
        "text": None if value.value_deg is None else shown["text"],
        "doubt": shown["doubt"],
        "reason": shown["reason"],
        "level": shown["level"],
        "spoken": shown["spoken"],
        "start": line.start,
        "curve": line.curve,
        "strike": line.strike,
        "carry": None if line.carry_m is None else round(settings.to_length(line.carry_m)),
        "flight": ", ".join(ball[1:] if line.start else ball),
        "ball": ", ".join(ball),
        "thought": line.own_thought,
        "out": line.left_out and retold(line.left_out),
    }


# -- a lesson --------------------------------------------------------------------------------------


def _one_lesson(library: Library, lesson: Lesson, *, message: str = "", undo: int | None = None, wrong: bool = False,
                asks: int | None = None) -> list[Any]:  # fmt: skip
    settings = load_settings()
    student = _student(library, lesson.student_id)
    figure = lesson_figure(library, lesson)
    swings = [s for r in figure["recordings"] if r["discarded"] is None for s in r["swings"]]
    words = {"kind": say(f"student.{lesson.kind}"), "day": settings.date(lesson.held_at)}
    out = sum(s["out"] is not None for s in swings)
    tries = [row for row in figure["practice"]["rows"] if not swings]
    if tries:
        words["held"] = str(sum(row["held"] for row in tries))
        sentence = count_with("practice.say", sum(row["tries"] for row in tries), words)
    else:
        sentence = count_with("lesson.say", len(swings), words) if swings else say("lesson.say_none", **words)
    if out:
        sentence += " " + count("lesson.out", out)
    extra: dict[str, Any] = {"data-go": ""}
    under = [html.A(student.name, href=f"{PATH}/{student.id}", **extra)] if student else []
    facts = [settings.time(lesson.held_at), say("lesson.place", place=lesson.place) if lesson.place else ""]
    return [
        html.H1(sentence, className="say"),
        html.Div([*under, *(html.Span(f) for f in facts if f)], className="facts"),
        LessonSwings(
            id="students-lesson", figure=figure | {"message": message, "undo": undo, "wrong": wrong}, asks=asks
        ),
        one_change.place("students", student=lesson.student_id, lesson=lesson.id) if swings else None,
    ]


def count_with(key: str, n: int, fields: Mapping[str, str]) -> str:
    return say(f"{key}.one" if n == 1 else f"{key}.many", n=n, **fields)


def lesson_figure(library: Library, lesson: Lesson) -> dict[str, Any]:
    settings = load_settings()
    recordings = finding.recordings(library, lesson_id=lesson.id)
    by_recording: dict[str, list[FiledSwing]] = {}
    for filed in finding.measured_swings(library, Wanted(lesson_ids=(lesson.id,))):
        by_recording.setdefault(filed.line.recording_id, []).append(filed)
    others = [student for student in finding.everyone(library) if student.id != lesson.student_id]
    merges = [x.lesson for x in finding.lessons(library, student_id=lesson.student_id) if x.lesson.id != lesson.id]
    shown = []
    for k, recording in enumerate(recordings, start=1):
        name = "lesson.recording_club" if recording.club else "lesson.recording"
        rows = [_row(filed, settings) for filed in by_recording.get(recording.id, [])]
        shown.append(
            {
                "id": recording.id,
                "title": say(name, n=k, club=recording.club),
                "note": _note(recording, bool(rows)),
                "discarded": recording.discarded,
                "first": k == 1,
                "swings": rows,
            }
        )
    return {
        "id": lesson.id,
        "flight": _flight(),
        "words": group("lesson")
        | {"club_head": say("student.club"), "left_out": say("student.left_out")}
        | {name: say(f"change.{name}") for name in ("given", "given_from", "given_do", "compare_thought")},
        "compare_thought": _before_after(lesson.id, by_recording),
        "thought": lesson.thought,
        "hurt": say("lesson.hurt", what=lesson.hurt) if lesson.hurt else "",
        "clubs": finding.clubs_of(library, student_id=lesson.student_id),
        "recordings": shown,
        "others": [[s.id, s.name] for s in others],
        "merges": [[x.id, f"{settings.date(x.held_at)}, {say(f'student.{x.kind}')}"] for x in merges],
        "practice": _practised(
            finding.tries(library, lesson_id=lesson.id), lesson.notes if lesson.kind == "practice" else ""
        ),
    }


def _before_after(lesson_id: str, by_recording: Mapping[str, Sequence[FiledSwing]]) -> str:
    """The link that compares before and after, where a thought was given during the lesson."""
    if not any(f.line.own_thought for filed in by_recording.values() for f in filed):
        return ""
    return Choice(near=lesson_id, by="thoughts").link


def _practised(tries: Sequence[Try], notes: str) -> dict[str, Any]:
    """What was done of each drill: held, lost, unsure, and how it was held with feedback and without."""
    from imu.practice.drill import shipped

    titles = {d.name: d.in_language(d.title, LANGUAGE) for d in shipped()}
    drills: dict[str, list[Try]] = {}
    for one in tries:
        drills.setdefault(one.drill, []).append(one)

    def of(some: Sequence[Try]) -> str:
        sure = [t for t in some if t.held is not None]
        return say("practice.of", held=sum(t.held is True for t in sure), n=len(sure)) if sure else ""

    return {
        "words": group("practice"),
        "notes": notes.splitlines(),
        "rows": [
            {
                "drill": titles.get(drill, drill),
                "tries": len(done),
                "held": sum(t.held is True for t in done),
                "lost": sum(t.held is False for t in done),
                "unsure": sum(t.held is None for t in done),
                "told": of([t for t in done if t.shown]),
                "untold": of([t for t in done if not t.shown]),
            }
            for drill, done in drills.items()
        ],
    }


CARRY_STEP = 5  # metres or yards


def _flight() -> dict[str, Any]:
    """What a ball's flight may be, and what the taps for it are called."""
    words = group("flight") | {"unit": load_settings().length}
    for name in ("carry_less", "carry_more"):
        words[name] = say(f"flight.{name}", n=CARRY_STEP)
    choices = {"curve": CURVES, "strike": STRIKES}
    named = {name: [[value, words[f"{name}_{value}"]] for value in values] for name, values in choices.items()}
    return {"words": words, "step": CARRY_STEP, **named}


def _note(recording: Recording, measured: bool) -> str:
    if recording.discarded is not None:
        return say("lesson.discarded", why=recording.discarded)
    if recording.state == "open":
        return say("lesson.open")
    return "" if measured else say("lesson.unmeasured")


def corrected(library: Library, lesson_id: str, ask: Mapping[str, Any], asks: int) -> list[Any]:
    """Do what was asked on a lesson's page, and show it with the way back."""
    message, wrong, undo = "", False, None
    before = library.changes(1)
    try:
        message = _do(library, lesson_id, ask)
    except CupbowError as error:
        message, wrong = retold(str(error)), True
    after = library.changes(1)
    if not wrong and after and (not before or after[0].id != before[0].id):
        undo = after[0].id
        message = message or say("lesson.done", what=retold(after[0].what))
    lesson = _lesson(library, lesson_id)
    if lesson is None:
        return [ui.fault(say("lesson.unknown"), say("student.unknown_do"), action=_to_list())]
    return _one_lesson(library, lesson, message=message, undo=undo, wrong=wrong, asks=asks)


def _note_flight(library: Library, swing_id: str, ask: Mapping[str, Any]) -> None:
    """What was tapped of a ball's flight: `start`, `curve`, `strike`, or `carry` in the unit of the settings."""
    now = finding.swing_of_id(library, swing_id)
    tapped = {"start": now.start, "curve": now.curve, "strike": now.strike, **ask}
    carry = now.carry_m
    if "carry" in ask:
        typed = ask["carry"]
        if typed is not None and (isinstance(typed, bool) or not isinstance(typed, int | float)):
            raise CupbowError(say("flight.no_number"))
        carry = None if typed is None else load_settings().from_length(typed)
    flight = filing.Outcome(start=tapped["start"], curve=tapped["curve"], strike=tapped["strike"], carry_m=carry)
    filing.set_outcome(library, now.id, flight)


def _do(library: Library, lesson_id: str, ask: Mapping[str, Any]) -> str:
    """One correction; returns what to say where "done" is not enough."""
    text = {k: str(v) for k, v in ask.items() if isinstance(v, str)}
    if "undo" in ask:
        library.undo(int(ask["undo"]))
        return say("lesson.undone")
    if "ball" in text:
        _note_flight(library, text["ball"], ask)
    elif "out" in text:
        filing.leave_out(library, [text["out"]], reason=text.get("why", ""))
    elif "back" in text:
        filing.take_back(library, [text["back"]])
    elif "club" in text:
        filing.correct_swings(library, text["recording"], first=int(ask.get("from") or 1), club=text["club"].strip())
    elif "given" in text:
        filing.correct_swings(
            library, text["recording"], first=int(ask.get("from") or 1), thought=text["given"].strip()
        )
    elif "move" in text:
        return "; ".join(reasons(filing.move_recordings(library, [text["move"]], student_id=text["student"])))
    elif "split" in text:
        filing.split_lesson(library, lesson_id, from_recording=text["split"])
    elif "merge" in text:
        filing.merge_lessons(library, lesson_id, other=text["merge"])
    elif "discard" in text:
        filing.discard_recording(library, text["discard"], reason=text.get("why", ""))
    elif "undiscard" in text:
        filing.take_back_recording(library, text["undiscard"])
    elif "thought" in text:
        filing.edit_lesson(library, lesson_id, changes={"thought": text["thought"].strip()})
    return ""
