"""The texts of a new case: what is known is written, what is not is a comment that says what."""

from collections.abc import Mapping

from dossier.case.toml_text import inline, quoted
from dossier.start.questions import QUESTIONS


def text_of(name: str, answers: Mapping[str, str], schema: str) -> str:
    """Return application.toml or case.toml for the answers; `schema` is the path of its schema."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("dossier.start", ""), undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True, autoescape=False,
    )  # fmt: skip
    environment.filters |= {"quoted": quoted, "listed": _listed}
    examples = {question.key: question.example for question in QUESTIONS}
    template = environment.get_template(f"{name}.jinja")
    return template.render(given=dict(answers), examples=examples, schema=schema)


def _listed(text: str) -> str:
    """Return what an answer names, separated by commas, as a list of TOML."""
    return inline([each.strip() for each in text.split(",") if each.strip()])
