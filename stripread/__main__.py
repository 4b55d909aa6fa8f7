"""``python -m stripread``."""

from stripread.cli import main

if __name__ == "__main__":
    main()
