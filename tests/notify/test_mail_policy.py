"""Headers become lines within the limits, and come back as they were."""

import email
import email.policy
import re
from email.headerregistry import Address
from email.message import EmailMessage

from hypothesis import example, given
from hypothesis import strategies as st

from cabinetwatch.notify.mail import MAIL_POLICY, header_text

HOSTILE = st.text(
    st.one_of(st.characters(), st.sampled_from('\r\n\0\t\x0b\x85\u2028 =?<>,:;@"()é日🔥')),
    max_size=300,
)


def parse(raw: bytes) -> EmailMessage:
    parsed = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(parsed, EmailMessage)
    return parsed


def assert_lines_fit(raw: bytes) -> None:
    # RFC 5322 section 2.1.1 asks for 78; RFC 2047 section 2 for 76 where there are encoded-words.
    assert all(len(line) <= 76 for line in raw.split(b"\r\n"))
    assert raw.isascii()
    words = re.findall(rb"=\?[^?\s]*\?[bqBQ]\?[^?\s]*\?=", raw)
    assert all(len(word) <= 75 for word in words)  # RFC 2047 section 2


@given(HOSTILE)
@example("=?utf-8?b?DQpCY2M6IHhAeS5leGFtcGxl?=")
@example("NAS\r\nBcc: x@y.example")
@example("a " * 150)
@example("é" * 200)
@example("x" * 300)
def test_any_subject_is_one_harmless_header_that_reads_as_written(text: str) -> None:
    subject = header_text(text)
    message = EmailMessage(policy=MAIL_POLICY)
    message["Subject"] = subject
    raw = message.as_bytes()
    assert_lines_fit(raw)
    parsed = parse(raw)
    assert parsed.keys() == ["Subject"]
    assert parsed["Subject"] == subject.encode("utf-8", "replace").decode()


@given(HOSTILE)
@example("Wächter unter der Treppe im Reihenhaus mit dem langen Namen")
def test_any_senders_name_is_one_harmless_header_that_reads_as_written(text: str) -> None:
    name = header_text(text)
    message = EmailMessage(policy=MAIL_POLICY)
    message["From"] = Address(display_name=name, addr_spec="watch@under-stairs.example")
    raw = message.as_bytes()
    parsed = parse(raw)
    assert parsed.keys() == ["From"]
    (address,) = parsed["From"].addresses
    assert address.addr_spec == "watch@under-stairs.example"
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    assert len(parsed.get_all("From", [])) == 1


def test_many_message_ids_stand_one_on_a_line() -> None:
    ids = [f"<{number:024d}@{'long-' * 12}name.under-stairs.example>" for number in range(20)]
    message = EmailMessage(policy=MAIL_POLICY)
    message["References"] = " ".join(ids)
    raw = message.as_bytes()
    assert b"=?" not in raw
    assert str(parse(raw)["References"]).split() == ids
