"""What is asked of the record: readings, what bears on a new one, a day, a trend, a period, a batch."""

__all__: list[str] = []
