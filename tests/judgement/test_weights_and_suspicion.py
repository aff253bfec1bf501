"""Weights, sums and priors against published worked examples, hand computation and scipy.stats."""

import hashlib
import math
import tomllib
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from tracker.judgement import prior, suspicion, weights
from tracker.judgement.observed import Remark
from tracker.judgement.suspicion import combine, odds_to_probability, probability_to_db
from tracker.judgement.weighing import Weighed, weigh


def test_deciban_of_good_s_die():
    # I. J. Good's loaded die (from memory): a six with chance 1/3 against 1/6 is a factor 2, about 3 db.
    assert weights.decibans((1 / 3) / (1 / 6)) == pytest.approx(3.0103, abs=1e-4)


def test_double_headed_penny_of_the_tunny_report():
    # General Report on Tunny, 21(g), p. 39: prior 1 : 10^4 (-40 db), 20 heads at 3 db each; 60 - 40 = 20 db, 100 : 1.
    heads = [Weighed(f"head-{i}", "heads", 3.0, "a head") for i in range(20)]
    result = combine(-40.0, heads)
    assert result.total_db == pytest.approx(20.0)
    assert result.probability / (1 - result.probability) == pytest.approx(100.0)
    # With the exact 10 log10 2 a head: 60.206 - 40 db, odds 2^20 / 10^4 = 104.8576.
    exact = combine(-40.0, [Weighed(f"head-{i}", "heads", weights.decibans(2), "a head") for i in range(20)])
    assert exact.probability / (1 - exact.probability) == pytest.approx(2**20 / 1e4)


def test_one_clear_finding_is_bayes_by_hand():
    # Counts of the declared file, read here without the package's loader; prior 10 %.
    declared = tomllib.loads(files("tracker.judgement").joinpath("indicators.toml").read_text(encoding="utf-8"))
    counts = declared["indicator"]["surface-sanded"]
    bad, good = counts["not_genuine"], counts["genuine"]
    p_bad, p_good = bad["present"] / sum(bad.values()), good["present"] / sum(good.values())
    by_hand = 0.1 * p_bad / (0.1 * p_bad + 0.9 * p_good)
    found = weigh([Remark("surface-sanded", "sanding marks", family="surface")])
    assert combine(probability_to_db(0.1), found).probability == pytest.approx(by_hand)


@pytest.mark.parametrize("code", sorted(weights.indicators()))
def test_clear_slight_and_absent_are_one_distribution(code):
    # Total probability: each kind's chances add up to 1, so the expected likelihood ratio over genuine pieces is 1.
    seen = weights.declared().indicator(code)
    chance = {
        "clear": seen.genuine.present / seen.genuine.total,
        "slight": seen.genuine.slight / seen.genuine.total,
        "absent": seen.genuine.absent / seen.genuine.total,
    }
    ratio = {
        "clear": 10 ** (weights.declared().weight_db(code) / 10),
        "slight": 10 ** (weights.declared().weight_db(code, "slight") / 10),
        "absent": 10 ** (weights.declared().absent_weight_db(code) / 10),
    }
    assert sum(chance[k] * ratio[k] for k in chance) == pytest.approx(1.0)


def test_the_weights_have_a_version_that_changes_with_them(monkeypatch):
    declared = files("tracker.judgement").joinpath("indicators.toml").read_bytes()
    assert weights.declared_version() == f"indicators.toml sha256:{hashlib.sha256(declared).hexdigest()[:12]}"
    monkeypatch.setattr(weights, "_data", lambda: declared.replace(b"present = 25", b"present = 26", 1))
    assert weights.declared_version.__wrapped__() != weights.declared_version()


def test_every_indicator_names_a_declared_family_and_a_source():
    for code, seen in weights.indicators().items():
        assert seen.family in weights.families(), code
        assert seen.source, code
        assert seen.why, code
    for family in weights.families().values():
        assert family.source
    for kind in prior.source_kinds().values():
        assert kind.source


def test_a_clear_fact_weighs_more_than_a_slight_one_and_a_pass_speaks_for_the_piece():
    for code, seen in weights.indicators().items():
        if seen.genuine.slight:
            assert weights.declared().weight_db(code) > weights.declared().weight_db(code, "slight") > 0
        if code.endswith("-pass"):
            assert weights.declared().weight_db(code) < 0
        if code.endswith("-fail"):
            assert weights.declared().weight_db(code) > 0


def test_unknown_codes_and_strengths():
    with pytest.raises(weights.UnknownIndicator, match="no-such"):
        weights.declared().weight_db("no-such")
    with pytest.raises(ValueError, match="strength"):
        weights.declared().weight_db("surface-sanded", "rather")
    (unweighed,) = weigh([Remark("no-such", "something odd")])
    assert unweighed.weight_db == 0.0


def test_a_family_is_capped_and_the_sum_shows_it():
    found = weigh(
        [Remark(code, code, family="lettering") for code in weights.indicators() if code.startswith("lettering")]
    )
    result = combine(-10.0, found)
    cap = weights.families()["lettering"].cap_for
    assert sum(item.weight_db for item in found) > cap
    assert result.total_db == pytest.approx(-10.0 + cap)
    assert result.capped == ("lettering",)
    assert [line.kind for line in result.lines].count("cap") == 1


def test_one_code_seen_twice_counts_once_at_its_strongest():
    twice = weigh(
        [
            Remark("surface-differs", "than its siblings", "slight", family="surface"),
            Remark("surface-differs", "than the exemplar", "clear", family="surface"),
        ]
    )
    assert [item.weight_db for item in twice] == [weights.declared().weight_db("surface-differs")]


BENCH = ("electrical", "heat", "settled")  # families that photos cannot look for


def test_absence_counts_only_where_looked_for_and_stays_small():
    before = probability_to_db(0.1)
    assert combine(before, weigh([])).probability == pytest.approx(0.1)
    everything = [code for code, seen in weights.indicators().items() if seen.family not in BENCH]
    clean = combine(before, weigh([], everything))
    assert 0.03 < clean.probability < 0.1
    assert all(line.kind in ("prior", "absence") for line in clean.lines)


def test_absence_is_silent_in_a_family_with_a_finding():
    found = weigh([Remark("surface-sanded", "sanding", family="surface")], ["surface-coated", "surface-old-mark"])
    assert [line.kind for line in combine(0.0, found).lines] == ["prior", "finding"]


@given(
    st.floats(-60, 60),
    st.lists(
        st.tuples(st.sampled_from(sorted(weights.indicators())), st.sampled_from(["clear", "slight"])), max_size=12
    ),
)
def test_lines_add_up_and_stay_a_probability(before, facts):
    found = weigh(
        Remark(code, code, strength, family=weights.declared().indicator(code).family) for code, strength in facts
    )
    result = combine(before, found)
    assert math.fsum(line.weight_db for line in result.lines) == pytest.approx(result.total_db)
    assert 0 <= result.probability <= 1
    assert suspicion.odds_to_probability(result.total_db) == result.probability


@given(st.floats(-90, 90))
def test_odds_and_probability_are_inverse(total_db):
    assert probability_to_db(odds_to_probability(total_db)) == pytest.approx(total_db, abs=1e-6)


def test_probability_bounds():
    for wrong in (0.0, 1.0, -0.1, 1.1):
        with pytest.raises(ValueError, match="no finite odds"):
            probability_to_db(wrong)


def test_the_prior_is_the_mean_of_the_beta_posterior_of_scipy():
    # scipy.stats.beta: prior Beta(a, b), x bad of n pieces gives Beta(a + x, b + n - x).
    kind = prior.source_kinds()["marketplace"]
    a, b = kind.not_genuine * kind.pieces, (1 - kind.not_genuine) * kind.pieces
    mean = stats.beta(a + 3, b + 9).mean()
    assert prior.prior_db("marketplace", 3, 9) == pytest.approx(10 * math.log10(mean / (1 - mean)))


def test_a_good_record_lowers_the_prior_and_a_bad_one_raises_it():
    for kind in prior.source_kinds():
        untouched = prior.prior_db(kind)
        assert prior.prior_db(kind, 0, 5) < untouched < prior.prior_db(kind, 2, 0)
    assert prior.prior_db("authorised") < prior.prior_db("broker") < prior.prior_db("marketplace")
    assert prior.prior_db("nobody has heard of this kind") == prior.prior_db("unknown")
    with pytest.raises(ValueError, match="0 or more"):
        prior.prior_db("broker", -1)
