"""One invented day, done by real parts: the main job from crops to the phone."""
