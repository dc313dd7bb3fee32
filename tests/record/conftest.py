from recorded import made_with, record, scene, wall

__all__ = ["made_with", "record", "scene", "wall"]
