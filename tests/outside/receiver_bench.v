// A receiver with four servo outputs, as a test bench.
//
// Written for IEEE Std 1364 (Verilog); it dumps the outputs as a value-change
// dump (same standard) and prints the width it commanded for every pulse, so
// that the reader of the dump can be checked against the bench as well.
// All times are whole nanoseconds that divide no usual sampling interval.

`timescale 1ns/1ns

module servo_output #(
    parameter integer NUMBER = 1,
    parameter integer SKEW_NS = 0,
    parameter integer FIRST_WIDTH_NS = 1500137,
    parameter integer STEP_NS = 0,
    parameter integer PERIOD_NS = 20000013,
    parameter integer FRAMES = 60
) (input wire go, output reg pin);
    integer frame;
    integer width_ns;

    initial pin = 0;

    always @(posedge go) begin
        width_ns = FIRST_WIDTH_NS;
        #(SKEW_NS);
        for (frame = 0; frame < FRAMES; frame = frame + 1) begin
            $display("pulse %0d %0d", NUMBER, width_ns);
            pin = 1;
            #(width_ns) pin = 0;
            #(PERIOD_NS - width_ns) width_ns = width_ns + STEP_NS;
        end
    end
endmodule

module receiver_bench;
    parameter integer LEAD_NS = 3000007;
    parameter integer PERIOD_NS = 20000013;
    parameter integer FRAMES = 60;

    reg go;
    wire rx1, rx2, rx3, rx4;

    servo_output #(.NUMBER(1), .SKEW_NS(0), .FIRST_WIDTH_NS(1500137), .STEP_NS(0),
                   .PERIOD_NS(PERIOD_NS), .FRAMES(FRAMES)) one (go, rx1);
    servo_output #(.NUMBER(2), .SKEW_NS(2101), .FIRST_WIDTH_NS(1000137), .STEP_NS(16903),
                   .PERIOD_NS(PERIOD_NS), .FRAMES(FRAMES)) two (go, rx2);
    servo_output #(.NUMBER(3), .SKEW_NS(2500333), .FIRST_WIDTH_NS(1200611), .STEP_NS(0),
                   .PERIOD_NS(PERIOD_NS), .FRAMES(FRAMES)) three (go, rx3);
    servo_output #(.NUMBER(4), .SKEW_NS(6300049), .FIRST_WIDTH_NS(1999999), .STEP_NS(-7919),
                   .PERIOD_NS(PERIOD_NS), .FRAMES(FRAMES)) four (go, rx4);

    initial begin
        $dumpfile("receiver_bench.vcd");
        $dumpvars(1, receiver_bench);
        go = 0;
        #(LEAD_NS) go = 1;
        #(FRAMES * PERIOD_NS) $finish;
    end
endmodule
