"""Example rigs, as files: `importlib.resources.files("barbox.examples") / "trike.toml"`."""
