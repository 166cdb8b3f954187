"""The hazard of a monitor that stands there and warns of nothing: its own proofs do not pass."""

from __future__ import annotations

from monitor.core.alert import Priority
from monitor.core.kleene import Truth
from monitor.core.rules.rule import Level, Parameters, Rule, Scope
from monitor.core.times import SECOND
from monitor.core.view import View


def _proof_missed(view: View, p: Parameters, held: bool) -> Truth:
    proof = view.site.proof
    if not proof.expected:
        return False
    if not view.site.broker_connected:
        return None
    since = proof.passed_at if proof.passed_at is not None else 0
    # A broker that comes back gives time again, but ends no alert: only a proof does.
    due = (since if held else max(since, proof.awaited_since)) + round(p["after_s"] * SECOND)
    if view.now < due:
        view.wake_at(due)
        return False
    return True


PROOF_MISSED = Rule(
    code="proof-missed",
    scope=Scope.SITE,
    levels=(Level(Priority.WARNING, _proof_missed),),
    reads=frozenset({"broker", "proof"}),
    parameters={"after_s": 30.0},
    suppressed_by=("feed-lost",),
    summary="The monitor's own proof, a handle lifted every 10 s, no longer gets from the broker to the board.",
    text=lambda view, priority: "No proof that a lifted handle gets from the broker to the board.",
    action="Go and look at every aircraft that is being worked. Tell ops: this monitor, its disk or its broker is stuck.",
    consequence="What happens at any door may be seen late or not at all, and may not be kept.",
    respond_within_s=60,
    role="ops",
    basis="common practice: a warning system is proved from end to end while it is in use; 30 s is our choice",
)

RULES = (PROOF_MISSED,)
