"""The bench: any door of one simulated aircraft, worked by hand from a page in the browser.

It publishes ordinary readings to a broker, so that it drives any monitor. Everything that
it shows and sends is simulated, and says so.
"""
