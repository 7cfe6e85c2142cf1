"""Commissioning at the terminal: questions and answers line by line."""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence

import typer

from rigctl.commissioning import sheet as sheets
from rigctl.commissioning import steps
from rigctl.commissioning.by_hand import ByHand
from rigctl.commissioning.sheet import Sheet
from rigctl.commissioning.walk import LeaveError, SkipError, Walk
from rigctl.config import RigConfig
from rigctl.console import MistakeError, say_table
from rigctl.hardware.rig import wired
from rigctl.journal.store import software_version


class AtTerminal:
    """The person who types."""

    def __init__(self) -> None:
        self._shown = 0

    def tell(self, text: str) -> None:
        """A line of its own."""
        typer.echo(text)

    def ask(self, question: str) -> str:
        """A line that is typed; q ends, s leaves the step for later."""
        typer.echo(f"{question} ", nl=False)
        line = sys.stdin.readline()
        if not line or line.strip().lower() == "q":
            raise LeaveError
        if line.strip().lower() == "s":
            raise SkipError
        return line.strip()

    def yes(self, question: str) -> bool:
        """A y or an n."""
        while True:
            answer = self.ask(f"{question} [y/n]").lower()
            if answer in ("y", "yes", "n", "no"):
                return answer.startswith("y")

    def progress(self, text: str) -> None:
        """Overwritten in place on a terminal; without one only now and then a line would help nobody."""
        if sys.stdout.isatty():
            typer.echo("\r" + text.ljust(self._shown) + ("" if text else "\r"), nl=False)
            self._shown = len(text)


def walk(rig: RigConfig, only: str | None) -> None:
    """Walk through what is open.

    Raises
    ------
    MistakeError
        If there is no such step, or a driver cannot be made.
    SheetError
        If the sheet that is there cannot be used.
    """
    names = [step.name for step in steps.wanted(rig)]
    if only is not None and only not in names:
        raise MistakeError(f'--only: "{only}" is no step of this rig; its steps are {", ".join(names)}.')
    sheet = sheets.load(sheets.path_of(rig)) or Sheet(rig.name, software_version=software_version())
    if sheet.rig != rig.name:
        raise MistakeError(f'{sheets.path_of(rig)} is the sheet of the rig "{sheet.rig}"; move it away and begin anew.')
    wires, workers = wired(rig, scale_usable=False)
    hand, person = ByHand(wires, workers), AtTerminal()
    # A kill that can be caught ends as Ctrl-C does: outputs safe first. Who started it may have had Ctrl-C ignored.
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.default_int_handler)
    person.tell('"s" leaves a step for later, "q" ends; what has been done is kept.')
    try:
        for sentence in hand.start():
            person.tell(f"{sentence}.")
        valid = Walk(rig, sheet, hand, person).go(only)
        person.tell("The sheet is valid: the rig may run by itself." if valid else "The sheet is not valid yet.")
    except (LeaveError, SkipError):
        person.tell("Ended; what has been done is kept.")
    finally:
        # A second Ctrl-C must not keep the outputs from being made safe.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        safe = hand.close()
        signal.signal(signal.SIGINT, signal.default_int_handler)
        person.tell(
            "Every output was commanded off." if safe else "A driver did not answer: look that every output is off."
        )


def show(rig: RigConfig, sheet: Sheet | None, wrong: Sequence[str]) -> None:
    """The sheet as a table, and what is open."""
    entries = sheet.entries if sheet is not None else {}
    rows = []
    for step in steps.wanted(rig):
        entry = entries.get(step.name)
        found = (entry.result, entry.utc[:10], entry.by, entry.text) if entry else ("not done", "", "", "")
        rows.append((step.name, *found))
    say_table(f"Commissioning of {rig.name}", ("step", "result", "on", "by", "what was found"), rows)
    if sheet is not None and sheet.signature is not None:
        typer.echo(f"Signed by {sheet.signature.name}, {sheet.signature.role}, {sheet.signature.date}.")
    for sentence in wrong:
        typer.echo(sentence)
    if not wrong:
        typer.echo("Valid.")
