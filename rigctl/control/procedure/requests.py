"""What people ask of the rig: which requests are taken, and the answers."""

from __future__ import annotations

from rigctl.control.prepared import Prepared
from rigctl.control.procedure.asked import Asked
from rigctl.control.procedure.cylinders import cylinder_fault
from rigctl.control.protect.engine import Permits
from rigctl.control.protect.table import TABLE
from rigctl.control.readings import Request, RequestKind, Source
from rigctl.control.state import Reply, State
from rigctl.control.vocabulary import ACTIVE, RUNNING, Ask, Phase, phase_word

_AT_THE_RIG = (RequestKind.START, RequestKind.RESTART, RequestKind.RESET)


def hear(state: State, requests: tuple[Request, ...], prepared: Prepared) -> Asked:
    """Sort out requests. Stop, hold, abort and acknowledge are taken from anywhere; the rest only at the rig."""
    asked = Asked()
    for request in requests:
        kind, text = request.kind, ""
        if request.source is not Source.LOCAL and kind in _AT_THE_RIG:
            text = f"{kind.value} is only taken from a person at the rig."
        elif kind is RequestKind.STOP:
            asked.stop = True
        elif kind is RequestKind.ABORT:
            asked.abort = True
        elif kind is RequestKind.HOLD:
            if state.phase in RUNNING or state.phase is Phase.RESTARTING:
                asked.hold = True
            else:
                text = f"There is nothing to hold in {phase_word(state.phase)}."
        elif kind is RequestKind.ACKNOWLEDGE:
            asked.acknowledge = True
        elif kind is RequestKind.START:
            if state.phase is Phase.IDLE:
                asked.start = True
            else:
                text = f"The rig is in {phase_word(state.phase)}; start is taken in idle."
        elif kind is RequestKind.RESET:
            if request.cylinder is None:
                asked.reset = True
            elif state.phase is not Phase.ABORTED:
                text = "Another cylinder is named with restart when the rig is held, or with reset after a trip."
            else:
                text = cylinder_fault(request.cylinder, prepared)
                if not text:
                    asked.reset, asked.cylinder = True, request.cylinder
        elif state.phase is not Phase.HELD:
            text = f"The rig is in {phase_word(state.phase)}; restart is taken when it is held."
        elif state.ask is Ask.CHANGE_CYLINDER and request.cylinder is None:
            text = "Say which cylinder is on the scale now."
        else:
            text = cylinder_fault(request.cylinder, prepared) if request.cylinder is not None else ""
            if not text:
                asked.restart, asked.cylinder = True, request.cylinder or asked.cylinder
        asked.refusals.append(text)
    return asked


def answer(requests: tuple[Request, ...], asked: Asked, permits: Permits, phase: Phase) -> tuple[Reply, ...]:
    """Answer the requests of a scan, once the interlocks have been judged."""
    replies = []
    for request, refusal in zip(requests, asked.refusals, strict=True):
        text = refusal
        if not text and permits.trip >= 0 and request.kind in (RequestKind.START, RequestKind.RESET):
            row = TABLE[permits.trip]
            text = f"{row.tag} still stands ({row.cause}); {request.kind.value} is not taken."
        idle = phase not in ACTIVE and request.kind in (RequestKind.STOP, RequestKind.ABORT)
        done = "Nothing is running." if idle else f"{request.kind.value} taken."
        replies.append(Reply(request.request_id, not text, text or done))
    return tuple(replies)
