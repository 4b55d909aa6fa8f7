"""What people and programs are shown: words, JSON, pictures, documents."""

__all__: list[str] = []
