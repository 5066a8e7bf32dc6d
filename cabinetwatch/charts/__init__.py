"""Pictures for the page, the mail and the trial report: what is drawn, and how. No database."""
