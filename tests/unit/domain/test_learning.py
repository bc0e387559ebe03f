"""What finished supplies teach: laws and priors from their ends, against scipy.stats and drawn supplies."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from service.domain.depletion import PRIOR
from service.domain.history import End
from service.domain.law import usual
from service.domain.learning import LABEL, PARTIAL, PERSON, belief_of, changed, errors, law_of, steps


@pytest.fixture
def chance():
    """Each test's own, so that none depends on which others ran before."""
    return np.random.default_rng(7)


def ends_of(errors, *, declared=4000, lost=0, empty=True, **more):
    return [
        End(at=0, declared=declared, counted=declared + int(error), empty=empty, lost=lost, **more)
        for error in errors
    ]


def drawn_losses(chance, shape, mean, supplies, placed=3000):
    """Losses of supplies whose odds are a Gamma law: negative binomial numbers."""
    odds = chance.gamma(shape, mean / shape, supplies)
    return [
        End(at=0, declared=placed, counted=placed + lost, empty=True, lost=int(lost))
        for lost in chance.poisson(odds * placed)
    ]


# --- the law of what is in a supply ------------------------------------------------------------------------


def test_before_anything_is_known_a_label_is_doubted_as_usual():
    assert law_of("tape", LABEL, 4000, (), ()) == usual("tape", 4000)


def test_sixty_ends_are_believed_and_the_usual_doubt_is_forgotten(chance):
    sample = np.rint(chance.normal(-20.0, 4.0, 100))
    law = law_of("tape", LABEL, 4000, ends_of(sample), ())
    assert law.mean == pytest.approx(-20.0, abs=1.5)
    assert law.offsets[-1] - law.offsets[1] < 24.0
    assert law.ends == 100


def test_three_ends_narrow_the_doubt_but_do_not_end_it():
    law = law_of("tape", LABEL, 4000, ends_of([-20, -21, -19]), ())
    before = usual("tape", 4000)
    assert before.offsets[3] < law.offsets[3] < -25.0
    assert law.highest > 0.0


def test_a_part_goes_its_own_way_once_it_has_ends_of_its_own(chance):
    kind, part = ends_of(np.rint(chance.normal(0, 3, 150))), ends_of(np.rint(chance.normal(-60, 3, 45)))
    assert law_of("tape", LABEL, 4000, kind, ()).mean == pytest.approx(0.0, abs=1.5)
    assert law_of("tape", LABEL, 4000, kind, part).mean == pytest.approx(-60.0, abs=8.0)


def test_a_law_that_changes_is_followed_within_a_few_dozen_supplies(chance):
    old, new = np.rint(chance.normal(0, 3, 160)), np.rint(chance.normal(-30, 3, 40))
    law = law_of("tape", LABEL, 4000, ends_of([*old, *new]), ())
    low = law.at(stats.norm.ppf([0.05]))[0]
    assert low < -27.0, "the warning's side of the law has moved"


def test_what_was_used_before_errs_by_a_share_and_a_full_one_by_parts():
    ends = ends_of([-40, -20, 0, 20] * 20, declared=2000)
    assert errors(ends, PARTIAL, 1000)[0].min() == pytest.approx(-20.0)
    assert errors(ends, LABEL, 4000)[0].min() == pytest.approx(-40.0)
    assert errors(ends, LABEL, 500)[0].min() == pytest.approx(-10.0), "a short strip errs by less"


@pytest.mark.parametrize("kind", ["tray", "stick"])
def test_a_tray_is_exact_until_five_ends_disagree(kind):
    four = ends_of([0] * 30 + [-2] * 4, declared=160)
    assert law_of(kind, LABEL, 160, four, ()).exact
    five = ends_of([0] * 30 + [-2] * 5, declared=160)
    law = law_of(kind, LABEL, 160, five, ())
    assert not law.exact
    assert law.lowest <= -2.0
    assert law.offsets.tolist().count(0.0) >= 7


def test_a_persons_count_is_exact_until_five_ends_disagree():
    assert law_of("tape", PERSON, 800, ends_of([3] * 4, declared=800), ()).exact
    assert not law_of("tape", PERSON, 800, ends_of([3] * 5, declared=800), ()).exact


def test_a_rare_mistake_in_the_books_is_no_shortage_but_a_rule_is():
    few = ends_of([0] * 50 + [-2000] * 4)
    assert law_of("tape", LABEL, 4000, few, ()).offsets[3] > -20.0
    many = ends_of([0] * 30 + [-2000] * 30)
    assert law_of("tape", LABEL, 4000, many, ()).offsets[3] < -1900.0


def test_losses_that_nobody_reported_are_taken_as_they_were_expected():
    """Counted 3,950 of 4,000 with 50 losses expected: nothing was short."""
    ends = [End(at=0, declared=4000, counted=3950, empty=True, hidden=50.0)] * 80
    assert law_of("tape", LABEL, 4000, ends, ()).mean == pytest.approx(0.0, abs=1.0)


def test_joined_tapes_teach_what_one_label_errs_by(chance):
    """Pairs of labels that err by N(-10, 8²) each: together N(-20, 128); for one again N(-10, 8²)."""
    sums = np.rint(chance.normal(-20.0, 8.0 * 2**0.5, 200))
    law = law_of("tape", LABEL, 4000, ends_of(sums, declared=8000, labels=2), ())
    assert law.mean == pytest.approx(-10.0, abs=1.5)
    spread = np.sqrt((law.weights * (law.offsets - law.mean) ** 2).sum())
    assert spread == pytest.approx(8.0, rel=0.2)


# --- the prior of the losses -------------------------------------------------------------------------------


def test_the_prior_is_what_kinds_usually_lose_until_supplies_are_finished():
    assert belief_of("tape", (), ()) == PRIOR["tape"]


def test_the_prior_of_a_kind_is_the_law_of_its_supplies_losses(chance):
    """Against the unpenalised maximum of scipy.stats.nbinom's likelihood, and the law that was drawn from."""
    ends = drawn_losses(chance, 2.0, 0.012, 200)
    belief = belief_of("tape", ends, ())
    lost = np.array([end.lost for end in ends])

    def unlikelihood(logs):
        a, mean = np.exp(logs)
        return -stats.nbinom.logpmf(lost, a, 1.0 / (1.0 + mean * 3000 / a)).sum()

    a, mean = np.exp(optimize.minimize(unlikelihood, np.log([1.3, 0.01]), method="Nelder-Mead").x)
    assert belief.odds == pytest.approx(mean, rel=0.03)
    assert belief.a == pytest.approx(a, rel=0.25)
    assert belief.odds == pytest.approx(0.012, rel=0.15)


def test_a_part_that_loses_more_than_its_kind_starts_higher(chance):
    kind = drawn_losses(chance, 2.0, 0.004, 200)
    part = drawn_losses(chance, 20.0, 0.03, 25)
    assert belief_of("tape", kind, part).odds == pytest.approx(0.03, rel=0.25)
    assert belief_of("tape", kind, part[:10]).odds == pytest.approx(0.004, rel=0.25), "too few to say"


def test_what_a_part_taught_can_be_stored():
    """An end keeps what was expected of its losses, and only plain numbers are written down."""
    ends = [End(at=0, declared=4000, counted=4000, empty=True, lost=20 + each) for each in range(30)]
    belief = belief_of("tape", ends, ends)
    assert {type(each) for each in (belief.a, belief.b)} == {float}


def test_where_nobody_reports_losses_what_is_missing_at_the_end_stands_for_them():
    ends = [End(at=0, declared=4000, counted=3960, empty=True)] * 60
    assert belief_of("tape", ends, ()).odds == pytest.approx(40 / 3960, rel=0.02)


def test_a_supply_that_lost_every_fifth_part_is_no_rule():
    ends = ends_of([0] * 40, lost=8) + ends_of([0] * 3, lost=1500)
    assert belief_of("tape", ends, ()).odds == pytest.approx(8 / 3992, rel=0.2)


@pytest.mark.parametrize("shift", [-25, 25])
def test_a_law_that_changes_is_noticed_within_six_supplies_and_a_rare_one_is_not(chance, shift):
    before = ends_of(np.rint(chance.normal(0, 5, 60)))
    after = ends_of(np.rint(chance.normal(shift, 5, 6)))
    assert changed([*before, *after], LABEL)
    assert not changed([*before, *after[:3]], LABEL)
    assert not changed([*before, *after[:3], *before[:3]], LABEL)


def test_a_law_that_stays_is_hardly_ever_taken_for_another(chance):
    """Bin(6, 0.1) above 4 on either side, scipy.stats: once in 9,000; in 2,000 tries at most three."""
    assert 2 * stats.binom.sf(4, 6, 0.1) == pytest.approx(1.1e-4, rel=0.01)
    tries = [changed(ends_of(np.rint(chance.normal(-8, 6, 66))), LABEL) for _ in range(2000)]
    assert sum(tries) <= 3


def test_laws_are_derived_anew_ever_less_often():
    grew = [number for number in range(1, 300) if steps(number) > steps(number - 1)]
    assert grew[:20] == list(range(1, 21))
    gaps = np.diff(grew)
    assert gaps.max() <= 10
    assert (gaps <= np.maximum(1, np.array(grew[:-1]) * 0.2)).all()
