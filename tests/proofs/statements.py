"""All statements, subject by subject."""

from tests.proofs import sequence

ALL = (*sequence.STATEMENTS,)
BY_NAME = {one.name: one for one in ALL}
