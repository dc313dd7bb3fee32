import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))  # the session's driver leads up to a scene
