from myhdl import *
@block
def bench():
    clk=Signal(bool(0)); count=Signal(modbv(0)[4:])
    @always(delay(5))
    def d(): clk.next=not clk
    @always(clk.posedge)
    def c(): count.next=count+1
    return d,c
b=bench(); b.config_sim(trace=True,name="myhdl",tracebackup=False); b.run_sim(215)
