"""The independent truth: circuits, recordings made from them, and speakers whose poles are known.

Nothing here uses ``analysis`` or ``calibration``: a reference made by the code under test is no reference.
"""
