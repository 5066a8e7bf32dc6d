"""The sentence for who reads a summary fresh: what stands then, and what is hidden then."""

from dataclasses import replace

from cabinetwatch.report.summary_content import present_sentence
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import AlarmState, Transition
from tests.notify.samples import NOON_MS, make_config, transition

WHEN = "When this was written (Wed 1 Jul 13:30)"


def told(store: Store, *transitions: Transition) -> str:
    store.commit(Batch(NOON_MS, 0, transitions=list(transitions)))
    return present_sentence(store, make_config(), NOON_MS + 1_800_000)


def test_with_nothing_standing_it_says_so(store: Store) -> None:
    assert told(store) == f"{WHEN} no alarm stood."


def test_what_stands_is_named(store: Store) -> None:
    assert told(store, transition()) == f"{WHEN}: NAS above its derating threshold."


def test_what_a_trial_or_a_shelf_hides_is_not_forgotten(store: Store) -> None:
    raised = transition(condition="fan-slow")
    hidden = replace(raised, state=AlarmState.SUPPRESSED, previous=raised.state)
    assert told(store, raised, hidden) == (
        f"{WHEN} no alarm stood. Hidden then: NAS running on a slow or stopped fan."
    )
