#include "Vtop.h"
#include "verilated_vcd_c.h"
int main(){ Verilated::traceEverOn(true); Vtop* t=new Vtop; VerilatedVcdC* f=new VerilatedVcdC; t->trace(f,9); f->open("verilator.vcd"); t->clk=0;
 for(int n=0;n<43;n++){ t->eval(); f->dump(n*5); t->clk=!t->clk; } f->close(); }
