"""Reports: what a drill, an aircraft, a stand or a period came to, from the record alone.

Reads the journal, also beside a running monitor, and writes nothing into it. What was not
recorded is said to be missing, never filled in.
"""
