from amaranth import *
from amaranth.lib import enum
from amaranth.sim import Simulator
class Phase(enum.Enum):
    LOW=0; HIGH=1
m=Module(); count=Signal(4); phase=Signal(Phase)
m.d.sync+=count.eq(count+1); m.d.comb+=phase.eq(Mux(count[3],Phase.HIGH,Phase.LOW))
s=Simulator(m); s.add_clock(1e-8,phase=5e-9)
with s.write_vcd("amaranth.vcd"): s.run_until(215e-9)
