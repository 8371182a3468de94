"""The package with compiled detectors (`setup.py`): built beside the checkout, and held equal to the sources."""
