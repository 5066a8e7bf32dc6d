"""Notices: what to tell, when to tell it, and the channels that carry it.

*A broker without its memory* (no session present at a connect) is told again what it should retain
of each alarm that is not normal (`notify/delivery.py`): in the queue of its channel, so that
nothing overtakes, and not when something newer waits there; written down nowhere, so that it is no
notice.

Mails are made with email of the standard library, and handed over with smtplib, bounded
(`notify/smtp.py`, which says why). Two pieces are ours: the look-up and the connection (the
library's can't be given up in time), and the step to TLS, where smtplib's `starttls` would drop
unseen what the server said ahead of it.
"""
