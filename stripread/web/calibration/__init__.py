"""A lot's calibration on the page: drafts, their photos and fits, and how they become a lot of the site."""

__all__: list[str] = []
