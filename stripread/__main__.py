"""``python -m stripread``."""

from stripread.cli.app import main

if __name__ == "__main__":
    main()
