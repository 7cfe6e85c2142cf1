"""Mutants of a module: one operator, constant, condition or statement changed in its source, the rest byte for byte."""

import ast
import hashlib
from dataclasses import dataclass

COMPARED = {
    ast.Lt: ("<=", ">="), ast.LtE: ("<", ">"), ast.Gt: (">=", "<="), ast.GtE: (">", "<"), ast.Eq: ("!=",),
    ast.NotEq: ("==",), ast.Is: ("is not",), ast.IsNot: ("is",), ast.In: ("not in",), ast.NotIn: ("in",),
}  # fmt: skip
COUNTED = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.FloorDiv: "*", ast.Mod: "*", ast.BitAnd: "|",
    ast.BitOr: "&", ast.BitXor: "|", ast.LShift: ">>", ast.RShift: "<<",
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change of a source."""

    line: int
    start: int
    end: int
    new: str
    """Put in place of the bytes from `start` to `end`."""
    what: str
    text: str
    """The line as it stands, without its margins."""

    def applied(self, source):
        return source[: self.start] + self.new.encode() + source[self.end :]

    def key(self, source):
        """Digest of the source and the change: what a result is kept by."""
        hashed = hashlib.sha256(source)
        hashed.update(f"{self.start} {self.end} {self.new}".encode())
        return hashed.hexdigest()[:20]


class _Finder(ast.NodeVisitor):
    def __init__(self, source):
        self.lines = source.splitlines(keepends=True)
        self.begins = [0]
        for line in self.lines:
            self.begins.append(self.begins[-1] + len(line))
        self.found = []

    def change(self, node, new, what):
        text = new if isinstance(new, str) else ast.unparse(ast.fix_missing_locations(new))
        start = self.begins[node.lineno - 1] + node.col_offset
        end = self.begins[node.end_lineno - 1] + node.end_col_offset
        line = self.lines[node.lineno - 1].decode().strip()
        self.found.append(Mutant(node.lineno, start, end, text, what, line))

    def visit_AnnAssign(self, node):
        if node.value is not None:
            self.visit(node.value)

    def visit_arguments(self, node):
        for default in (*node.defaults, *(one for one in node.kw_defaults if one is not None)):
            self.visit(default)

    def visit_FunctionDef(self, node):
        self.visit(node.args)
        self._body(node.body)

    def _body(self, body):
        for statement in body:
            # A text alone is a docstring; a definition that is missing is found by every import.
            if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
                continue
            if isinstance(statement, ast.Assign | ast.AugAssign | ast.Expr | ast.Return | ast.Continue | ast.Break):
                self.change(statement, "pass", "statement removed")
            self.visit(statement)

    def generic_visit(self, node):
        for _, value in ast.iter_fields(node):
            if isinstance(value, list) and value and isinstance(value[0], ast.stmt):
                self._body(value) if not isinstance(node, ast.Module | ast.ClassDef) else list(map(self.visit, value))
            elif isinstance(value, list):
                for one in value:
                    if isinstance(one, ast.AST):
                        self.visit(one)
            elif isinstance(value, ast.AST):
                self.visit(value)

    def visit_Compare(self, node):
        if len(node.ops) == 1 and type(node.ops[0]) in COMPARED:
            left, right = ast.unparse(node.left), ast.unparse(node.comparators[0])
            for sign in COMPARED[type(node.ops[0])]:
                self.change(node, f"(({left}) {sign} ({right}))", f"comparison turned into {sign}")
        elif len(node.ops) > 1:
            for at, op in enumerate(node.ops):
                for sign in COMPARED.get(type(op), ())[:1]:
                    parts = [f"({ast.unparse(node.left)})"]
                    for n, (one, value) in enumerate(zip(node.ops, node.comparators, strict=True)):
                        word = (
                            sign if n == at else ast.unparse(ast.Compare(ast.Name("a"), [one], [ast.Name("b")]))[2:-2]
                        )
                        parts += [word, f"({ast.unparse(value)})"]
                    self.change(node, f"({' '.join(parts)})", f"comparison {at + 1} turned into {sign}")
        self.generic_visit(node)

    def visit_BoolOp(self, node):
        other = "or" if isinstance(node.op, ast.And) else "and"
        parts = f" {other} ".join(f"({ast.unparse(value)})" for value in node.values)
        self.change(node, f"({parts})", f"turned into {other}")
        self.generic_visit(node)

    def visit_BinOp(self, node):
        if type(node.op) in COUNTED:
            sign = COUNTED[type(node.op)]
            new = f"(({ast.unparse(node.left)}) {sign} ({ast.unparse(node.right)}))"
            self.change(node, new, f"arithmetic turned into {sign}")
        self.generic_visit(node)

    def visit_AugAssign(self, node):
        if type(node.op) in COUNTED:
            sign = COUNTED[type(node.op)]
            new = f"{ast.unparse(node.target)} {sign}= {ast.unparse(node.value)}"
            self.change(node, new, f"arithmetic turned into {sign}")
        self.generic_visit(node)

    def visit_UnaryOp(self, node):
        if isinstance(node.op, ast.Not | ast.Invert):
            self.change(
                node, f"({ast.unparse(node.operand)})", f"{'not' if isinstance(node.op, ast.Not) else '~'} removed"
            )
        self.generic_visit(node)

    def visit_Constant(self, node):
        value = node.value
        if isinstance(value, bool):
            self.change(node, str(not value), "constant changed")
        elif isinstance(value, int):
            for new in {0: (1,), 1: (0, 2)}.get(value, (value - 1, value + 1)):
                self.change(node, str(new), f"constant changed to {new}")
        elif isinstance(value, float):
            new = 1.0 if value == 0.0 else value * 1.2
            self.change(node, repr(new), f"constant changed to {new:g}")

    def visit_If(self, node):
        self.change(node.test, f"(not ({ast.unparse(node.test)}))", "condition negated")
        self.generic_visit(node)

    def visit_While(self, node):
        self.visit_If(node)

    def visit_IfExp(self, node):
        self.visit_If(node)

    def visit_Return(self, node):
        if isinstance(node.value, ast.Compare | ast.BoolOp):
            self.change(node.value, f"(not ({ast.unparse(node.value)}))", "returned condition negated")
        self.generic_visit(node)

    def visit_JoinedStr(self, node):
        """Wording is not mutated."""


def mutants(source):
    """Every mutant of a source (bytes), in the order of its lines."""
    finder = _Finder(source)
    finder.visit(ast.parse(source))
    seen, made = set(), []
    for one in sorted(finder.found, key=lambda one: (one.start, one.end, one.new)):
        if (one.start, one.end, one.new) in seen:
            continue
        seen.add((one.start, one.end, one.new))
        made.append(one)
    return made
