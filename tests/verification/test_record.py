"""The record finds the skill that was put in, and says in words what it found and how sure it is."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from matewindow.verification import (
    Blocks,
    Cases,
    Record,
    Samples,
    Verdict,
    brier_scores,
    compare,
    economic_value,
    judgement,
    log_scores,
    record_of,
    roc,
)
from matewindow.verification.judging import change
from matewindow.verification.records import usual_quartiles
from tests.verification.made_cases import INVENTED, SKILFUL, made_cases


@cache
def long_record() -> Record:
    """Twenty seasons, two sites, five lead groups of falling skill."""
    return record_of(made_cases())


def one_group(**changes: object) -> Record:
    return record_of(made_cases(**{"skill": {"window": 0.6}, "amounts": False} | changes))  # type: ignore[arg-type]


class TestFindings:
    """Known skill is found, and none is made up."""

    def test_planted_skill_is_found_and_falls_with_lead_time(self) -> None:
        skills = [group.brier.usual.skill.value for group in long_record().groups]
        assert all(s is not None for s in skills)
        assert skills == sorted(skills, key=lambda s: -(s or 0.0))
        verdicts = [group.brier.usual.verdict for group in long_record().groups]
        assert verdicts[:3] == [Verdict.BETTER] * 3
        assert verdicts[-1] == Verdict.SAME

    def test_hours_classes_and_first_eggs_agree_with_the_odds(self) -> None:
        for group in long_record().groups[:3]:
            assert group.hours is not None
            assert group.first_egg is not None
            assert group.first_egg.score is not None
            for against in (group.log, group.hours.crps, group.hours.rps, group.first_egg.score):
                assert against.usual.verdict == Verdict.BETTER

    def test_honest_odds_are_called_so_and_shifted_ones_are_not(self) -> None:
        honest = sum("mean what they say" in " ".join(g.sentences) for g in judgement(long_record()).groups)
        assert honest >= 4
        shifted = judgement(one_group(shift=0.5)).groups[0].sentences
        assert any(
            re.match(r"Odds of \d+ to \d+ % were too high: it came true in about \d+ in 100\.", s) for s in shifted
        )

    def test_every_part_of_the_record_is_of_its_own_cases(self) -> None:
        """Held against the functions that work it out, called by hand."""
        made, record = made_cases(n_seasons=8), record_of(made_cases(n_seasons=8))
        for name, group in zip(made.groups, record.groups, strict=True):
            at = made.lead_group == name
            p, usual, y = made.p[at], made.p_usual[at], made.outcome[at]
            blocks = Blocks.of(made.season[at])
            assert group.value.odds == economic_value(p, usual, y, blocks).odds
            assert group.value.reference == economic_value(p, usual, y, blocks).reference
            assert group.roc.area == roc(p, y, blocks).area
            assert group.roc_usual.area == roc(usual, y, blocks).area
            assert group.log.usual.gain == compare(log_scores(p, y), log_scores(usual, y), blocks).gain
            assert made.p_persistence is not None
            assert group.brier.persistence is not None
            third = compare(brier_scores(p, y), brier_scores(made.p_persistence[at], y), blocks)
            assert group.brier.persistence.gain == third.gain
            assert group.came_true.value == pytest.approx(y.mean())
            assert group.issued.value == pytest.approx(p.mean())
            assert (group.n, group.n_seasons, group.n_sites, group.n_missing) == (640, 8, 2, 0)
        assert record.overall is not None
        assert record.overall.n == len(made)
        assert (record.first, record.last) == ("2000-05-10", "2007-06-19")

    def test_odds_worse_than_the_usual_are_called_worse(self) -> None:
        words = judgement(one_group(skill={"window": 0.0}, shift=1.2))
        assert words.headline == "Nowhere shown to be better than the usual. Worse than the usual: window."
        assert words.groups[0].sentences[0].startswith("Worse than the usual: the error is about ")

    def test_the_same_cases_and_seed_give_the_same_record(self) -> None:
        assert judgement(record_of(made_cases(n_seasons=6))) == judgement(record_of(made_cases(n_seasons=6)))

    def test_shares_of_queens_give_narrower_ranges_than_single_queens(self) -> None:
        """Odds given the weather instead of one drawn queen: the same skill on average, less noise."""
        rng = np.random.default_rng(1)
        made = made_cases(skill={"window": 0.6}, amounts=False)
        share = np.clip(0.8 * made.outcome + 0.1, 0, 1)  # of many queens 9 in 10, or 1 in 10
        queen = (rng.random(len(share)) < share).astype(float)
        widths = []
        for outcome in (share, queen):
            c = record_of(replace(made, outcome=outcome)).groups[0].brier.usual.gain
            assert c.low is not None
            assert c.high is not None
            widths.append(c.high - c.low)
        assert widths[0] < widths[1]


class TestWords:
    """Plain sentences without false precision."""

    def test_headline_names_every_group_once(self) -> None:
        headline = judgement(long_record()).headline
        assert headline.startswith("Better than the usual: days 1 to 3, days 4 to 7 and days 8 to 12.")
        assert all(headline.count(name) == 1 for name in SKILFUL)

    def test_figures_are_in_steps_of_five(self) -> None:
        for group in judgement(long_record()).groups:
            for sentence in group.sentences:
                if "error" in sentence:
                    figures = [int(x) for x in re.findall(r"(\d+)(?= %| to \d+ %)", sentence.split("Error ")[0])]
                    assert all(x % 5 == 0 for x in figures), sentence

    def test_an_open_question_is_said_with_its_range_and_what_would_settle_it(self) -> None:
        words = judgement(one_group(n_seasons=6, n_sites=1, n_days=8, skill={"window": 0.3})).groups[0].sentences[0]
        assert words.startswith("Not to be told apart from the usual: the error is ")
        assert "anything from" in words
        assert re.search(r"about \d+ seasons like these to show it|hardly show it|hardly different|larger \(", words)

    def test_too_few_seasons_give_no_range(self) -> None:
        record = one_group(n_seasons=3, n_sites=1)
        assert record.groups[0].brier.usual.gain.low is None
        assert record.groups[0].brier.usual.verdict == Verdict.TOO_FEW
        assert "in 3 seasons luck can do that" in judgement(record).groups[0].sentences[0]

    def test_shared_weather_and_missing_cases_are_said(self) -> None:
        made = made_cases(skill={"window": 0.0}, shift=0.4, shared=0.7, amounts=False)
        odds = made.p.copy()
        odds[:7] = np.nan
        doubts = " ".join(judgement(record_of(replace(made, p=odds))).doubts)
        assert "Window: 7 of 1,600 cases are left out" in doubts
        assert re.search(r"1,593 cases|1,600 cases", doubts)
        assert "share their weather" in doubts
        assert re.search(r"about \d0* independent ones", doubts)

    def test_many_comparisons_are_warned_of(self) -> None:
        assert "by luck alone" in " ".join(judgement(long_record()).doubts)

    def test_a_group_without_cases_is_said_to_be_empty(self) -> None:
        made = made_cases(n_seasons=6, amounts=False)
        record = record_of(replace(made, lead_groups=(*made.lead_groups, "window")))
        words = judgement(record)
        assert "Nothing to go by: window." in words.headline
        assert words.groups[-1].sentences == ("No case in which the odds, the usual and the outcome are all known.",)

    def test_days_between_looks_are_said(self) -> None:
        made = made_cases(skill={"window": 0.8})
        assert made.first_egg is not None
        seen = replace(made.first_egg, after_d=made.first_egg.after_d - 3)
        record = record_of(replace(made, first_egg=seen))
        egg = record.groups[0].first_egg
        assert egg is not None
        assert egg.score is None
        assert egg.log.usual.verdict == Verdict.BETTER
        assert any("between two looks" in s for s in judgement(record).groups[0].sentences)

    def test_a_usual_without_error_leaves_nothing_to_gain(self) -> None:
        made = made_cases(n_seasons=6, skill={"window": 0.6}, amounts=False)
        sure = replace(made, p_usual=made.outcome, p_persistence=None)
        assert "made no error at all" in judgement(record_of(sure)).groups[0].sentences[0]

    @pytest.mark.parametrize(
        ("skill", "words"),
        [
            (0.01, "hardly different"),
            (0.149, "about 15 % smaller"),
            (-0.07, "about 5 % larger"),
            (1.0, "about 100 % smaller"),
            (-4.0, "three times as large or more"),
        ],
    )
    def test_change_of_the_error(self, skill: float, words: str) -> None:
        assert change(skill) == words

    def test_notes_of_the_cases_reach_the_record(self) -> None:
        assert long_record().notes == (INVENTED,)


def test_no_case_at_all_is_a_record_too() -> None:
    made = made_cases(n_seasons=6, amounts=False)
    empty: Cases = made.take(np.zeros(len(made), dtype=bool))
    record = record_of(replace(empty, lead_groups=("window",)))
    assert record.first == ""
    assert record.groups[0].n == 0
    assert judgement(record).headline == "Nowhere shown to be better than the usual. Nothing to go by: window."


def test_classes_of_hours_are_quartiles_of_the_usual_in_whole_hours() -> None:
    assert usual_quartiles(Samples(np.arange(1.0, 41.0)[None])) == (10.0, 20.0, 30.0)
    assert usual_quartiles(Samples(np.array([[0.0, 0.0, 0.0, 5.0]]))) == (1.0,)
    assert usual_quartiles(Samples(np.full((1, 3), np.nan))) == (1.0,)
