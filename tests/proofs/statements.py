"""All statements, subject by subject."""

from tests.proofs import gate, latches, requests, sequence, wants

ALL = (*sequence.STATEMENTS, *gate.STATEMENTS, *wants.STATEMENTS, *requests.STATEMENTS, *latches.STATEMENTS)
BY_NAME = {one.name: one for one in ALL}
