"""The words in a second language: the same keys and fields, and pages that speak it."""

from __future__ import annotations

import os
import subprocess
import sys
from string import Formatter

import pytest

import dashboard.words
from dashboard import bandsets
from dashboard.words import FIRST, catalogue, spoken
from imu.settings import CHOICES

OTHERS = [language for language in CHOICES["language"] if language != FIRST]


def fields(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


@pytest.mark.parametrize("language", OTHERS)
def test_another_language_has_the_same_keys_and_fields(language):
    first, other = spoken(FIRST), spoken(language)
    assert set(other) <= set(first), "nothing is said that is never asked for"
    for key, text in other.items():
        # "All full swings here" has a plural in English only: a field may go, none may appear.
        assert fields(text) <= fields(first[key]), key
    missing = set(first) - set(other)
    assert len(missing) <= len(first) // 20, sorted(missing)
    assert not [key for key in missing if key.startswith(("students.", "student.", "lesson."))]
    assert set(catalogue(language)) == set(catalogue(FIRST)), "what is missing is said in the first language"


@pytest.mark.parametrize("language", OTHERS)
def test_most_words_are_really_another_language(language):
    first, other = spoken(FIRST), spoken(language)
    words = [key for key in other if len(first[key].split()) > 2]
    assert sum(other[key] != first[key] for key in words) > 0.95 * len(words)


def test_the_setting_turns_every_page(tmp_path):
    """In a process of its own, since the language is chosen when the program starts."""
    (tmp_path / "settings.toml").write_text('language = "de"\n')
    code = (
        "from dashboard.app import INDEX, PAGES\n"
        "from dashboard.pages.students import _students_figure\n"
        "from imu.settings import load_settings\n"
        "print([p.label for p in PAGES], 'lang=\"de\"' in INDEX)\n"
        "from dashboard.sets import day_words\n"
        "from dashboard.words import within\n"
        "print(_students_figure([], load_settings())['words']['search'])\n"
        "print(day_words('2026-04-12T23:30:00-05:00', year=True), day_words('2026-04-12'), within('Blatt zum Arm'))"
    )
    environment = os.environ | {"CUPBOW_SETTINGS": str(tmp_path / "settings.toml"), "PYTHONUTF8": "1"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    assert "Schwünge" in done.stdout
    assert "'Schüler', 'Neu'] True" in done.stdout
    assert "Schüler suchen" in done.stdout
    assert "12. April 2026 12. April Blatt zum Arm" in done.stdout  # days and nouns as German writes them


def test_bands_shown_in_german_and_not_changed_keep_the_words_they_came_from(monkeypatch):
    from imu.bands import shipped

    monkeypatch.setattr(dashboard.words, "LANGUAGE", "de")
    shown = bandsets.rows(shipped())
    assert shown[0]["source"] == "Ausgangswert: ein flaches Führungshandgelenk oben. Allgemeine Praxis, ohne Quelle."
    shown[1]["source"] = "Edda, nach zwei Stunden."
    shown[2]["source"] = ""
    kept = bandsets.from_rows("eigene", shown).bands
    assert kept[0].source == shipped().bands[0].source
    assert kept[1].source == "Edda, nach zwei Stunden."
    assert kept[2].source == "Own judgement, no source."


def test_the_screens_and_the_results_have_no_key_in_common():
    """Else one would hide the other's words."""
    from imu.words import OWN

    assert set(spoken(FIRST)) & set(OWN.spoken(FIRST)) == set()
