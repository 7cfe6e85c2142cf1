"""All statements, subject by subject."""

from tests.proofs import gate, requests, sequence, wants

ALL = (*sequence.STATEMENTS, *gate.STATEMENTS, *wants.STATEMENTS, *requests.STATEMENTS)
BY_NAME = {one.name: one for one in ALL}
