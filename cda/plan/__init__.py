"""Planning: a protocol and positions into an order of runs, a run sheet and what to expect."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cda.plan.content import Plan as Plan
    from cda.plan.content import PlannedPosition as PlannedPosition
    from cda.plan.earlier import LastTime as LastTime
    from cda.plan.earlier import last_time as last_time
    from cda.plan.folder import write_plan as write_plan
    from cda.plan.make import make_plan as make_plan
    from cda.plan.order import RunOrder as RunOrder
    from cda.plan.order import counterbalanced_order as counterbalanced_order
    from cda.plan.protocol import Protocol as Protocol
    from cda.plan.protocol import list_protocols as list_protocols
    from cda.plan.protocol import load_protocol as load_protocol
    from cda.plan.sheet import run_sheet_html as run_sheet_html

_HOME = {
    "LastTime": "earlier",
    "Plan": "content",
    "PlannedPosition": "content",
    "Protocol": "protocol",
    "RunOrder": "order",
    "counterbalanced_order": "order",
    "last_time": "earlier",
    "list_protocols": "protocol",
    "load_protocol": "protocol",
    "make_plan": "make",
    "run_sheet_html": "sheet",
    "write_plan": "folder",
}


def __getattr__(name: str) -> object:
    """Load a name from its file on first use: pydantic and jinja2 take a while."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"cda.plan.{_HOME[name]}"), name)
