"""All statements, subject by subject."""

from tests.proofs import gate, latches, reach, requests, sequence, wants

ALL = (
    *sequence.STATEMENTS,
    *gate.STATEMENTS,
    *wants.STATEMENTS,
    *requests.STATEMENTS,
    *latches.STATEMENTS,
    *reach.STATEMENTS,
)
BY_NAME = {one.name: one for one in ALL}
