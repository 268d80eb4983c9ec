"""Pictures: reading, pixel size and tilt, image quality."""
