"""`python -m voicecoach`."""

from voicecoach.cli.main import main

if __name__ == "__main__":
    main()
