"""Pure models of the things that move on an apron: doors, slides, cabin air, engines, people, wind.

Nothing here asks the time, draws a random number from anywhere but a generator it was
handed, or knows a topic: a state and a time step go in, a state comes out.
"""
