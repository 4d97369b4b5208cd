"""Write migen.vcd: the counter of the other dumps, in Migen."""

from migen import Module, Signal, run_simulation


class Counter(Module):
    def __init__(self):
        self.count = Signal(4)
        self.sync += self.count.eq(self.count + 1)


def bench(dut):
    for _ in range(21):
        yield


dut = Counter()
run_simulation(dut, bench(dut), vcd_name="migen.vcd")
