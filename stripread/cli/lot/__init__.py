"""The commands of ``lot`` and ``kind``: calibrating a lot, keeping an eye on it, the chart on its vial."""
