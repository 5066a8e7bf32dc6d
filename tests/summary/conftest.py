"""A fortnight, made once: making it takes seconds."""

import pytest

from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.store.store import Store
from tests.support import fortnight as story
from tests.support.fortnight import Fortnight


@pytest.fixture(scope="session")
def fortnight(tmp_path_factory: pytest.TempPathFactory) -> Fortnight:
    """The configuration and the store; only to be read."""
    return story.build(tmp_path_factory.mktemp("fortnight"))


@pytest.fixture(scope="session")
def week(fortnight: Fortnight) -> Week:
    """The figures of its second week, made the morning after."""
    with Store.open(fortnight.url, read_only=True) as store:
        return WeekMaker(store, None, story.NOW).make(IsoWeek.parse(story.WEEK))
