"""Inputs: what turns an open device into samples. One file for each kind of device."""
