"""Generator of rendered walking clips whose 3D joints and gait events are known exactly."""
