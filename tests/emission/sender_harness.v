// Gives frames to an emitted sender as a file says, and writes the symbols of every clock.
module harness;
    reg clock = 1'b0;
    reg reset = 1'b1;
    reg send = 1'b0;
    reg [FIELD_BITS-1:0] fields = 0;
    wire full;
    LINK_sender #(.FIFO_DEPTH(3)) sender (
        PORT(clock), .reset(reset), .send(send), FIELDS .full(full), .link_clock(), .lanes(), STROBE
        .frames_sent(), .frames_overrun()
    );
    integer given;
    integer out;
    initial begin
        given = $fopen("sent.txt", "r");
        out = $fopen("symbols_out.txt", "w");
        #1 clock = 1'b1;
        #1 clock = 1'b0;
        reset = 1'b0;
        while ($fscanf(given, "%h %h\n", send, fields) == 2) begin
            #1 $fwrite(out, "%h ", send && !full);
            clock = 1'b1;
            #1 clock = 1'b0;
            $fdisplay(out, "%h", sender.core.symbols);
        end
        $fdisplay(out, "%h %h", sender.frames_sent, sender.frames_overrun);
        $finish;
    end
endmodule
