from simplify.technique.plan import PedalPlan


def plan_levers(part, player, *, start=None, hands=None) -> PedalPlan: ...
