"""Conditioning: what makes gestures of samples. One file for each kind of input."""
