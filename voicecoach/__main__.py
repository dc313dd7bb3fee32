"""`python -m voicecoach`."""

from voicecoach.cli import main

if __name__ == "__main__":
    main()
