"""The documentation: every command in it, every shown output true, every link alive."""

from __future__ import annotations

import contextlib
import doctest
import re
from pathlib import Path

import pytest

from bench.commands import COMMANDS
from tests.support.make_docs import (
    DOCS,
    REFERENCE,
    ROOT,
    TUTORIAL,
    Block,
    Session,
    blocks,
    command_reference,
    rewritten,
    same_line,
)

README = ROOT / "README.md"
PAGES = [README, ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
SHOWING = [README, TUTORIAL]
LINK = re.compile(r"\]\(([^)\s]+)\)")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """The tutorial's commands, each run once and in its order."""
    started = Session(tmp_path_factory.mktemp("with blanks and ü"))
    for block in blocks(TUTORIAL.read_text(encoding="utf-8")):
        started.output(block.command)
    return started


def test_every_command_is_in_the_reference() -> None:
    text = REFERENCE.read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"\n## heatrun {name}\n" not in text] == []


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_says_what_it_does(name: str) -> None:
    text = REFERENCE.read_text(encoding="utf-8")
    described = text.partition(f"\n## heatrun {name}\n")[2].split("\n\n")[2]
    assert len(described.split()) > 3


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_told_of_in_prose(name: str) -> None:
    told = "".join(page.read_text(encoding="utf-8") for page in (README, TUTORIAL))
    assert re.search(rf"\bheatrun {name}\b", told)


def test_the_reference_is_what_help_says() -> None:
    written = REFERENCE.read_text(encoding="utf-8").splitlines()
    assert written == command_reference().splitlines(), "run python -m tests.support.make_docs"


@pytest.mark.parametrize("page", SHOWING, ids=lambda page: page.name)
def test_shown_output_is_what_comes_out(page: Path, session: Session) -> None:
    shown = blocks(page.read_text(encoding="utf-8"))
    assert shown
    wrong = [difference for block in shown if (difference := _difference(block, session))]
    assert wrong == [], f"run python -m tests.support.make_docs {page.name}"


def _difference(block: Block, session: Session) -> str | None:
    output = session.output(block.command)
    if output.status != block.status:
        return f"{block.command}: exit status {output.status}, shown {block.status}"
    real = block.cut(output.lines)
    if len(real) != len(block.lines):
        return f"{block.command}: {len(real)} lines, shown {len(block.lines)}"
    for shown, line in zip(block.lines, real, strict=True):
        if not same_line(shown, line):
            return f"{block.command}: {line!r}, shown {shown!r}"
    return None


def test_the_shown_commands_are_those_that_were_run() -> None:
    text = TUTORIAL.read_text(encoding="utf-8")
    prompts = re.findall(r"^\$ (.*)$", text, re.MULTILINE)
    assert prompts == [block.command for block in blocks(text)]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_no_relative_link_is_dead(page: Path) -> None:
    targets = [link.partition("#")[0] for link in LINK.findall(page.read_text(encoding="utf-8"))]
    dead = [
        target
        for target in targets
        if target and "://" not in target and not (page.parent / target).exists()
    ]
    assert dead == []


def test_every_file_that_developers_are_sent_to_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:fit|bench|tests|data)/[\w/.]+)`", text))
    assert len(named) > 20
    assert sorted(name for name in named if not (ROOT / name).exists()) == []


def test_readme_leads_to_every_page() -> None:
    text = README.read_text(encoding="utf-8")
    assert [page.name for page in DOCS.glob("*.md") if f"fit/docs/{page.name}" not in text] == []


def test_the_library_examples_run(session: Session) -> None:
    with contextlib.chdir(session.folder):
        done = doctest.testfile(
            str(DOCS / "library.md"),
            module_relative=False,
            encoding="utf-8",
            optionflags=doctest.NORMALIZE_WHITESPACE,
        )
    assert done.attempted > 20
    assert done.failed == 0


def test_the_file_blocks_of_the_pages_can_be_read() -> None:
    import tomllib

    for page in PAGES:
        for block in re.findall(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL):
            tomllib.loads(block)


def test_the_budget_of_several_sources_that_is_shown_is_one() -> None:
    import tomllib

    from fit.budget.read import budget_from

    page = DOCS / "several_sources.md"
    (block,) = re.findall(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    budget = budget_from(tomllib.loads(block), page)
    assert [source.name for source in budget.sources] == ["charger", "driver"]
    assert not budget.is_chain


@pytest.mark.parametrize(
    ("shown", "real"),
    [
        ("pad 0.561 ± 0.057", "pad  0.562 ± 0.057"),
        ("Done in 9 s. Run folder: runs/a_b-c", "Done in 14.2 s. Run folder: runs/d"),
        ("  reader on /tmp/heatrun-x1/reader", "  reader on /var/y_2/reader"),
        ("12.0 K/W", "12.1 K/W"),
    ],
)
def test_what_changes_from_run_to_run_is_looked_past(shown: str, real: str) -> None:
    assert same_line(shown, real)


@pytest.mark.parametrize(
    ("shown", "real"),
    [
        ("pad 0.561 ± 0.057", "pad 0.601 ± 0.057"),
        ("pad conforming", "pad undecided"),
        ("+0.436", "-0.436"),
        ("pad 1.0", "pad 1.0 2.0"),
        ("120 s", "140 s"),
    ],
)
def test_what_matters_is_not_looked_past(shown: str, real: str) -> None:
    assert not same_line(shown, real)


def test_a_page_that_shows_something_else_is_noticed(tmp_path: Path) -> None:
    page = "<!-- output: heatrun --version -->\n```text\nheatrun 9.9.9\n```\n"
    session = Session(tmp_path)
    (block,) = blocks(page)
    assert _difference(block, session) is not None
    (mended,) = blocks(rewritten(page, session))
    assert _difference(mended, session) is None


def test_a_command_that_ends_with_another_status_is_noticed(tmp_path: Path) -> None:
    page = "<!-- output: heatrun budget absent.toml -->\n```text\n```\n"
    with pytest.raises(ValueError, match="exit status 2"):
        rewritten(page, Session(tmp_path))
