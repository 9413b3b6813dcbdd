"""How far each device's clock was off, as a graph of constraints between runs.

`zones` compares local times with GPS time; `alignment` matches the visits of two devices; `constraints`
collects how much faster one clock is than another; `changes` finds clocks that were set during the day;
`estimate` gives every run the clock error that the most certain chain of constraints leads to.
"""
