"""What became of looking for indicators on a piece, from what is on record about it."""

from collections.abc import Sequence

from tracker.desk.looks import Found
from tracker.desk.on_record import VERDICTS, OnRecord, Ran
from tracker.judgement.counts import ABSENT, CLEAR
from tracker.judgement.learning import stronger


def photo_outcomes(facts: OnRecord) -> dict[str, str]:
    """Return what became of everything that was looked for in a piece's photos."""
    found = {code: strength for code, (strength, _) in photo_findings(facts).items()}
    looked_for = (code for look in facts.looks for code in look.sight.looked_for)
    return dict.fromkeys(looked_for, ABSENT) | found


def photo_findings(facts: OnRecord) -> dict[str, tuple[str, Found]]:
    """Return how strongly each indicator was seen in a piece's photos, and the finding that says so, by code."""
    found: dict[str, tuple[str, Found]] = {}
    for look in facts.looks:
        for finding in look.findings:
            strength = look.sight.strengths.get(finding.code, CLEAR)
            if finding.code not in found or stronger(strength, found[finding.code][0]):
                found[finding.code] = (strength, finding)
    return found


def bench_outcomes(runs: Sequence[Ran]) -> dict[str, str]:
    """Return what became of both indicators of every test that a piece went through, undecided ones too."""
    return {
        f"bench-{run.test}-{verdict}": CLEAR if run.verdict == verdict else ABSENT
        for run in runs
        for verdict in VERDICTS
    }
