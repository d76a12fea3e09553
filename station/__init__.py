"""The bench: physics, judgement, instruments and record of crimp samples."""
