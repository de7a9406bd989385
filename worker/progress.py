"""Progress of a whole inspection from the stage under way and the share of it done."""

from __future__ import annotations

from shared.states import Stage

# Shares of the time a casting of 700 k triangles against 500 k points takes; they steer a bar, nothing else.
STAGE_SHARES: dict[Stage, float] = {
    Stage.READ: 0.15,
    Stage.ALIGN: 0.20,
    Stage.DEVIATION: 0.20,
    Stage.THICKNESS: 0.30,
    Stage.JUDGE: 0.05,
    Stage.REPORT: 0.10,
}


def overall_share(stage: Stage, share_of_stage: float) -> float:
    """Share of the whole, 0 to 1, when ``share_of_stage`` of ``stage`` is done."""
    order = list(STAGE_SHARES)
    before = sum(STAGE_SHARES[earlier] for earlier in order[: order.index(stage)])
    return min(1.0, before + STAGE_SHARES[stage] * min(max(share_of_stage, 0.0), 1.0))
