// Feeds symbols of a file to an emitted receiver, and writes its state after every clock.
module harness;
    reg clock = 1'b0;
    reg reset = 1'b1;
    reg [SYMBOLS-1:0] take = 0;
    reg [SYMBOLS*SYMBOL_BITS-1:0] symbols = 0;
    wire frame_valid;
    wire [FRAME_BITS-1:0] frame_word;
    wire [31:0] frame_first;
    LINK_receiver_core #(.SYMBOLS(SYMBOLS)) core (
        .clock(clock), .reset(reset), .take(take), .symbols(symbols), .state(),
        .frame_valid(frame_valid), .frame_word(frame_word), .frame_first(frame_first), COUNTERS
    );
    integer given;
    integer states;
    integer frames;
    initial begin
        given = $fopen("symbols.txt", "r");
        states = $fopen("states.txt", "w");
        frames = $fopen("frames.txt", "w");
        #1 clock = 1'b1;
        #1 clock = 1'b0;
        reset = 1'b0;
        while ($fscanf(given, "%h %h\n", take, symbols) == 2) begin
            #1 clock = 1'b1;
            #1 clock = 1'b0;
            $fdisplay(states, "FORMAT", REGISTERS);
            if (frame_valid)
                $fdisplay(frames, "%h %h", frame_first, frame_word);
        end
        $finish;
    end
endmodule
