"""Write pyrtl.vcd: the counter of the other dumps, in PyRTL (which has the clock in its own)."""

import pyrtl

count = pyrtl.Register(4, "count")
count.next <<= count + 1
shown = pyrtl.Output(4, "shown")
shown <<= count
trace = pyrtl.SimulationTrace()
simulation = pyrtl.Simulation(tracer=trace)
for _ in range(21):
    simulation.step({})
with open("pyrtl.vcd", "w") as file:
    trace.print_vcd(file, include_clock=True)
