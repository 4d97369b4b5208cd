`timescale 1ns/100ps
module bench;
  reg clk = 0;
  wire [3:0] count;
  wire \odd[name] = clk;
  reg quiet;
  real level = 0.5;
  counter inner(.clk(clk), .count(count));
  always #5 clk = ~clk;
  always @(posedge clk) level = level + 0.25;
  initial begin
    $dumpfile("icarus.vcd");
    $dumpvars(0, bench);
    #102 $dumpoff;
    #20 $dumpon;
    #80 $dumpall;
    #1 quiet = 1'bz;
    #10 $finish;
  end
endmodule
