"""Who may use the page: people, their secrets, paired phones and sessions."""

__all__: list[str] = []
