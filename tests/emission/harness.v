// Feeds symbols of a file to an emitted receiver, and writes its registers after every few clocks.
module LINK_harness_STEP;
    reg clock = 1'b0;
    reg reset = 1'b1;
    reg [STEP*(SYMBOL_BITS+1)-1:0] read;
    reg [STEP*(SYMBOL_BITS+1)-1:0] row = 0; // what to take, and the symbols
    wire [STEP-1:0] take;
    wire [STEP*SYMBOL_BITS-1:0] symbols;
    assign {take, symbols} = row;
    wire frame_valid;
    wire [FRAME_BITS-1:0] frame_word;
    wire [31:0] frame_first;
    LINK_receiver_core #(.SYMBOLS(STEP)) core (
        .clock(clock), .reset(reset), .take(take), .symbols(symbols), .state(),
        .frame_valid(frame_valid), .frame_word(frame_word), .frame_first(frame_first), COUNTERS
    );
    integer given;
    integer states;
    integer frames;
    integer clocks;
    initial begin
        given = $fopen("LINK_symbols_STEP.txt", "r");
        states = $fopen("LINK_states_STEP.txt", "w");
        frames = $fopen("LINK_frames_STEP.txt", "w");
        clocks = 0;
        #1 clock = 1'b1;
        #1 clock = 1'b0;
        reset = 1'b0;
        while ($fscanf(given, "%h\n", read) == 1) begin
            row = read; // that $fscanf writes is not seen by Verilator
            #1 clock = 1'b1;
            #1 clock = 1'b0;
            clocks = clocks + 1;
            if (clocks % EVERY == 0)
                $fdisplay(states, "FORMAT", REGISTERS);
            if (frame_valid)
                $fdisplay(frames, "%0d %0d", frame_first, frame_word);
        end
        $fclose(states);
        $fclose(frames);
    end
endmodule
