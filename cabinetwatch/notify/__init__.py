"""Notices: what to tell, when to tell it, and the channels that carry it.

*A broker without its memory* (no session present at a connect) is told again what it should retain
of each alarm that is not normal (`notify/delivery.py`): in the queue of its channel, so that
nothing overtakes, and not when something newer waits there; written down nowhere, so that it is no
notice.

Mails are made with email of the standard library, and handed over with smtplib, bounded; TOML is
read with tomllib. By itself smtplib gathers a reply of any length for any time, so a server could
fill the memory or hold an attempt for ever, and it words errors of its own as a 500, which would
drop a notice for good. The subclass in `notify/smtp.py` reads and sends within one deadline (5
min) and 256 KB, and a no is final only if the server has said a 5xx. Two pieces are ours: the
look-up and the connection (the library's can't be given up in time), and the step to TLS, where
smtplib's `starttls` would drop unseen what the server said ahead of it.
"""
