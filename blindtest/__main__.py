"""`python -m blindtest`."""

from blindtest.cli import main

if __name__ == "__main__":
    main()
