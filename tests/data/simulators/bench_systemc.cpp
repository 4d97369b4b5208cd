// Made by: SystemC; the same counter as in the other dumps.
#include <systemc.h>

SC_MODULE(counter) {
    sc_in<bool> clk;
    sc_out<sc_uint<4>> count;
    sc_uint<4> value;
    void step() { value = value + 1; count.write(value); }
    SC_CTOR(counter) : value(0) { SC_METHOD(step); sensitive << clk.pos(); dont_initialize(); }
};

int sc_main(int, char **) {
    sc_clock clk("clk", 10, SC_NS, 0.5, 5, SC_NS, true);
    sc_signal<sc_uint<4>> count;
    sc_signal<sc_logic> odd;
    double level = 0.25;
    counter inner("inner");
    inner.clk(clk);
    inner.count(count);
    sc_trace_file *file = sc_create_vcd_trace_file("systemc");
    file->set_time_unit(100, SC_PS);
    sc_trace(file, clk, "clk");
    sc_trace(file, count, "inner.count");
    sc_trace(file, odd, "odd name");
    sc_trace(file, level, "level");
    for (int n = 0; n < 21; n++) {
        odd.write(n % 3 == 0 ? SC_LOGIC_Z : n % 3 == 1 ? SC_LOGIC_X : SC_LOGIC_1);
        sc_start(10, SC_NS);
        level += 0.5;
    }
    sc_close_vcd_trace_file(file);
    return 0;
}
