"""The commands of ``water``: what to mix, what to inject, what becomes of it; none of it is recorded."""
