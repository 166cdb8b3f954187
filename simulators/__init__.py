"""Simulated aircraft, their incidents and the rig that feeds them to a broker; the monitor never imports it."""
