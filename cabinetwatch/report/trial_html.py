"""Dresses a trial report as HTML: one file that needs nothing from elsewhere, and prints well."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from cabinetwatch.charts.svg import DARK_RULES
from cabinetwatch.report.page_words import short_time
from cabinetwatch.report.trial_bar import bar_legend, draw_bar
from cabinetwatch.report.trial_case import Case
from cabinetwatch.report.trial_charts import draw_charts
from cabinetwatch.report.trial_words import (
    NOTHING_FOLLOWS,
    deed_lines,
    figure_rows,
    phase_rows,
    verdict_words,
)
from cabinetwatch.trial.cautions import CAUTIONS
from cabinetwatch.trial.figures import TrialFigures

_FOLDER = Path(__file__).parent / "templates"
_TEMPLATES = Environment(
    loader=FileSystemLoader(_FOLDER),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_STYLE = (_FOLDER / "trial.css").read_text(encoding="utf-8").replace("DARK_RULES", DARK_RULES)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def html_of(case: Case, figures: TrialFigures) -> bytes:
    """Give the report as a file; everything from outside is escaped."""
    timezone = case.config.site.timezone
    span = case.span if case.intervals else None
    text = _TEMPLATES.get_template("trial.html.j2").render(
        case=case,
        site=case.config.site.name,
        span=[short_time(at, timezone) for at in span] if span else [],
        timezone=timezone,
        verdict=figures.verdict,
        words=verdict_words(figures),
        reasons=figures.reasons,
        phases=phase_rows(case, figures),
        figures=figure_rows(figures),
        nothing=NOTHING_FOLLOWS,
        # Ours: pictures and style hold no text from outside that is not escaped.
        charts=[(title, Markup(svg)) for title, svg in draw_charts(case, figures)],  # noqa: S704
        bar=Markup(draw_bar(case, figures)),  # noqa: S704
        legend=bar_legend(case, figures),
        setpoints=figures.setpoints.as_toml(),
        notes=deed_lines(case),
        cautions=CAUTIONS,
        policy=_POLICY,
        style=Markup(_STYLE),  # noqa: S704
    )
    return text.encode("utf-8", "replace")
