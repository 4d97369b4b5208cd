`timescale 1ns/1ps
module top(input clk, output reg [3:0] count); initial count=0; always @(posedge clk) count <= count + 1; endmodule
