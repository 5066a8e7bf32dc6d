"""The e-mail channel: one mail for each notice, each recipient's answer taken by itself."""

from collections.abc import Callable
from smtplib import SMTPDataError

from pydantic import SecretStr

from cabinetwatch.config.model import Config
from cabinetwatch.config.notify import Email
from cabinetwatch.notify.attempt import Attempt, Refusal
from cabinetwatch.notify.channels.smtp import (
    Answer,
    Login,
    SessionError,
    SmtpSession,
    Timeouts,
    explain,
    smtp_session,
)
from cabinetwatch.notify.message import build_message
from cabinetwatch.store.notice import Notice


class NotComposedError(Exception):
    """A summary's mail is not ready: one sentence; `in_the_making` when it will be soon."""

    def __init__(self, sentence: str, *, in_the_making: bool = False) -> None:
        super().__init__(sentence)
        self.in_the_making = in_the_making


class EmailChannel:
    """Sends notices to the addresses of `[notify.email]`.

    Args:
        config: in force.
        email: its table of that name.
        password: to log in with.
        timeouts: of the server's answers.
        compose: gives the mail of a notice that tells of a week; raises NotComposedError.
    """

    def __init__(
        self,
        config: Config,
        email: Email,
        password: SecretStr | None,
        timeouts: Timeouts | None = None,
        compose: Callable[[Notice], bytes] | None = None,
    ) -> None:
        self._config = config
        self._email = email
        self._timeouts = timeouts or Timeouts()
        self._silent_at: set[str] = set()
        self._compose = compose
        self._login = None
        if email.username is not None:
            secret = "" if password is None else password.get_secret_value()
            self._login = Login(email.username, secret)

    @property
    def recipients(self) -> tuple[str, ...]:
        """The addresses of `to`."""
        return self._email.to

    def probe(self) -> Attempt:
        """Connect, secure and log in, and send nothing.

        A server that answers, be it with a 5xx, counts as reached: it will say the same to a mail,
        and then that is the end of that mail.
        """
        try:
            with smtp_session(self._email, self._login, self._timeouts):
                return Attempt()
        except SessionError as error:
            return Attempt() if error.permanent else Attempt(unreachable=str(error))

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to mail a notice to these recipients."""
        try:
            content = self._content(notice)
        except NotComposedError as error:
            reason = dict.fromkeys(recipients, Refusal(str(error)))
            return Attempt(refused=reason, told_elsewhere=error.in_the_making)
        return self.post(content, recipients)

    def post(self, content: bytes, recipients: tuple[str, ...]) -> Attempt:
        """Try once to hand a finished mail to the server for these recipients.

        An address at which the server fell silent would keep the mail from all the others again;
        so it is left to an attempt of its own.
        """
        now = tuple(each for each in recipients if each not in self._silent_at) or recipients
        try:
            with smtp_session(self._email, self._login, self._timeouts) as session:
                handover = self._hand_over(session, content, now)
        except SessionError as error:
            if error.permanent:
                return _refused(recipients, str(error), permanent=True)
            return Attempt(unreachable=str(error))
        self._silent_at -= set(now)
        if handover.silent_at is not None and len(self._email.to) > 1:
            self._silent_at.add(handover.silent_at)
        for left in [each for each in recipients if each not in now]:
            sentence = f"{self._server()}: it fell silent at {left}, whose turn comes by itself"
            handover.leave(left, sentence)
        return handover.attempt()

    def _content(self, notice: Notice) -> bytes:
        if notice.kind != "summary":
            return build_message(notice, self._config, self._email).as_bytes()
        if self._compose is None:
            raise NotComposedError("nothing here makes the mail of a weekly summary")
        return self._compose(notice)

    def _hand_over(
        self, session: SmtpSession, content: bytes, recipients: tuple[str, ...]
    ) -> "_Handover":
        """Do one mail transaction (RFC 5321 section 3.3)."""
        handover = _Handover(recipients)
        try:
            handover.run(session, self._sender(), content)
        except OSError as error:
            handover.refuse_rest(explain(error, self._email), permanent=False)
            handover.connection_lost = True
        handover.name_server(self._server())
        return handover

    def _sender(self) -> str:
        return self._email.from_.rpartition("<")[2].rstrip(">")

    def _server(self) -> str:
        return f"mail server {self._email.host}:{self._email.port}"


class _Handover:
    """One mail transaction, and how far it came."""

    def __init__(self, recipients: tuple[str, ...]) -> None:
        self._recipients = recipients
        self._refused: dict[str, Refusal] = {}
        self._accepted: tuple[str, ...] = ()
        self._in_doubt = False
        self.connection_lost = False
        self.silent_at: str | None = None
        """The address whose answer did not come."""

    def run(self, session: SmtpSession, sender: str, content: bytes) -> None:
        """Go through the transaction; an OSError leaves what is known so far."""
        session.mail(sender)
        if not session.answer.accepted:
            self._refuse_all(session.answer, f"it answers MAIL FROM {sender} with")
            return
        for number, recipient in enumerate(self._recipients):
            if session.time_is_short and number > len(self._refused):
                # Those who are through should get it now, however slow the server is.
                sentence = "it is slow, and the time of this attempt is for those before"
                self._refused |= dict.fromkeys(self._recipients[number:], Refusal(sentence))
                break
            self.silent_at = recipient
            session.rcpt(recipient)
            answer = session.answer
            self.silent_at = None
            if not answer.accepted:
                sentence = f"it refuses {recipient} with {answer}"
                self._refused[recipient] = Refusal(sentence, answer.permanent)
        if not self._open():
            return
        try:
            session.data(content)
        except SMTPDataError:
            self._refuse_all(session.answer, "it answers DATA with")
            return
        finally:
            self._in_doubt = session.in_doubt
        if session.answer.accepted:
            self._accepted = self._open()
        else:
            self._refuse_all(session.answer, "it refuses the mail with")

    def refuse_rest(self, sentence: str, *, permanent: bool) -> None:
        """Note the same reason for everybody who has no answer yet."""
        self._refused |= dict.fromkeys(self._open(), Refusal(sentence, permanent))

    def leave(self, recipient: str, sentence: str) -> None:
        """Note why somebody was left out of this transaction."""
        self._refused[recipient] = Refusal(sentence)

    def name_server(self, server: str) -> None:
        """Put the server's name before each reason."""
        self._refused = {
            recipient: refusal._replace(error=f"{server}: {refusal.error}")
            for recipient, refusal in self._refused.items()
        }

    def attempt(self) -> Attempt:
        """Give the result."""
        return Attempt(
            accepted=self._accepted,
            refused=self._refused,
            in_doubt=self._in_doubt,
            connection_lost=self.connection_lost,
        )

    def _open(self) -> tuple[str, ...]:
        return tuple(each for each in self._recipients if each not in self._refused)

    def _refuse_all(self, answer: Answer, words: str) -> None:
        self.refuse_rest(f"{words} {answer}", permanent=answer.permanent)


def _refused(recipients: tuple[str, ...], sentence: str, *, permanent: bool) -> Attempt:
    return Attempt(refused=dict.fromkeys(recipients, Refusal(sentence, permanent)))
