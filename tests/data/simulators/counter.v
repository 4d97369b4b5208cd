`timescale 1ns/100ps
module counter(input clk, output reg [3:0] count);
  initial count = 4'd0;
  always @(posedge clk) count <= count + 4'd1;
endmodule
