"""Telling people outside of alerts, so that it arrives: a durable outbox and its destinations."""
