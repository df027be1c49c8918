"""How verbs speak: one JSON object on stdout with --json, else the answer's headline, remarks and tables."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from rich.console import Console

    from whirlbench.results.answer import Answer, PlanOffer, Remark, Table

Command = TypeVar("Command", bound=Callable[..., Any])
DONE, CANNOT_ANSWER = 0, 2
STYLES = {"danger": "bold red", "caution": "yellow", "note": ""}
PAGE_WIDTH = 120  # columns when the answer goes into a file or another program


def json_option(function: Command) -> Command:
    """Adds the flag every analysis verb has."""
    return click.option("--json", "as_json", is_flag=True, help="Print exactly one JSON object on stdout.")(function)


def print_json(result: Any) -> None:
    """Prints ``result`` (dataclasses, arrays, dicts) as one JSON object; NaN and infinities become null."""
    click.echo(json_text(result))


def json_text(result: Any) -> str:
    """``result`` (dataclasses, arrays, dicts) as one JSON object; NaN and infinities become null."""
    import msgspec

    from whirlbench.results.answer import plain

    return msgspec.json.format(msgspec.json.encode(plain(result)), indent=2).decode()


def give_answer(answer: Answer, as_json: bool, source: Path | str) -> int:
    """Prints ``answer`` and returns the verb's exit status: 2 where nothing could be judged, told on stderr too.

    ``source`` names the file that was asked about.
    """
    if as_json:
        print_json(answer.as_document())
    elif answer.judged or any(table.rows for table in answer.tables):
        print_answer(answer)
    if answer.judged:
        return DONE
    why = "; ".join(dict.fromkeys(item.why for item in answer.not_judged))
    click.echo(f"whirlbench: {one_line(f'{source}: {answer.headline}: {why}')}", err=True)
    return CANNOT_ANSWER


def print_answer(answer: Answer, console: Console | None = None) -> None:
    """The whole answer as text: headline, dangers and cautions first, then tables, then notes."""
    from whirlbench.results.answer import DASH_MEANS

    console = console or _console()
    print_summary(answer, console)
    for table in answer.tables:
        if table.rows:
            console.print(_drawn(table))
    _print_remarks(console, [remark for remark in answer.lines() if remark.level == "note"])
    if answer.has_dashes:
        console.print(DASH_MEANS, markup=False, soft_wrap=True)
    if answer.plan is not None:
        console.print(f"{answer.plan.purpose}: {answer.plan.remark}", markup=False, soft_wrap=True)


def print_summary(answer: Answer, console: Console | None = None) -> None:
    """The headline, every danger and every caution of an answer."""
    console = console or _console()
    said = answer.statement
    console.print(said.line, style=f"bold {STYLES[said.level]}", markup=False, soft_wrap=True)
    _print_remarks(console, [remark for remark in answer.lines() if remark.level != "note"])


def _console() -> Console:
    from rich.console import Console

    return Console(highlight=False, width=None if sys.stdout.isatty() else PAGE_WIDTH)


def write_plan(plan: PlanOffer | None, path: Path, source: Path | str = "") -> None:
    """Writes an answer's plan; AnalysisError says why there is none, with the file ``source`` that is at fault."""
    if plan is None or not plan.text:
        why = plan.remark if plan else "this answer comes without a plan"
        raise AnalysisError(f"{source}: {why}" if source else why)
    write_text(path, plan.text)


def write_text(path: Path | str, text: str) -> None:
    """Writes ``text`` to ``path`` in UTF-8; a path that cannot be written is one line for the user."""
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise click.ClickException(f"{path}: cannot be written: {error.strerror or error}") from error


def _print_remarks(console: Console, remarks: list[Remark]) -> None:
    for remark in remarks:
        console.print(remark.line, style=STYLES[remark.level], markup=False, soft_wrap=True)


def _drawn(table: Table) -> Any:
    from rich.table import Table as RichTable
    from rich.text import Text

    drawn = RichTable(title=Text(table.title), title_justify="left")
    for column in table.columns:
        drawn.add_column(Text(column.text), justify="right" if column.figures else "left", overflow="fold")
    for number, row in enumerate(table.rows):
        drawn.add_row(*map(Text, row), style="red" if number in table.danger else None)
    return drawn


def one_line(text: str, most: int = 500) -> str:
    """``text`` as a single printable line of at most ``most`` characters.

    Names in files come from anywhere: line ends and control characters are written out, an endless key is cut.
    """
    line = " ".join(text.split())
    line = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in line)
    return line if len(line) <= most else f"{line[: most // 2]} ... {line[-most // 2 :]}"
