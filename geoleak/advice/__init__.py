"""Dig here, or listen on: the hole, the next hole, the next readings."""

from geoleak.advice.checks import Check
from geoleak.advice.decide import Decision, decide
from geoleak.advice.plan import COARSE, LegPlan, Plan, plan_visit
