// A mixing converter between two stick channels and two drive outputs, as a test bench.
//
// Written for IEEE Std 1364 (Verilog). The stick channels sweep to and fro, each by its own steps.
// The converter measures their pulses by counting whole microseconds, and one frame later puts
// out 1500 + (A e + B a) / 128 us on the left and 1500 + (C e + D a) / 128 us on the right, with e
// and a the sticks' distances from 1500 us, rounded towards zero, and clips both outputs at its
// ends. It says the outputs that it commands. Times are whole nanoseconds.

`timescale 1ns/1ns

module mixer_bench;
    parameter integer A = 96;
    parameter integer B = 71;
    parameter integer C = 88;
    parameter integer D = -67;
    parameter integer LOW_US = 1120;
    parameter integer HIGH_US = 1880;
    parameter integer FRAMES = 500;
    parameter integer PERIOD_NS = 20000013;

    reg elevator, aileron, left, right;
    integer elevator_us, aileron_us, elevator_step, aileron_step;
    integer seen_e, seen_a, left_us, right_us;
    integer frame;

    function integer clipped;
        input integer width_us;
        begin
            clipped = width_us;
            if (width_us < LOW_US) clipped = LOW_US;
            if (width_us > HIGH_US) clipped = HIGH_US;
        end
    endfunction

    // The converter: its counters run while a pulse is high.
    always @(posedge elevator) begin : count_elevator
        time begin_ns;
        begin_ns = $time;
        @(negedge elevator) seen_e <= ($time - begin_ns) / 1000;
    end
    always @(posedge aileron) begin : count_aileron
        time begin_ns;
        begin_ns = $time;
        @(negedge aileron) seen_a <= ($time - begin_ns) / 1000;
    end

    initial begin
        elevator = 0; aileron = 0; left = 0; right = 0;
        elevator_us = 1500; aileron_us = 1500;
        elevator_step = 11; aileron_step = -7;
        seen_e = 1500; seen_a = 1500;
        $dumpfile("mixer_bench.vcd");
        $dumpvars(0, elevator, aileron, left, right);
        #3000007;
        for (frame = 0; frame < FRAMES; frame = frame + 1) begin
            // What was counted in the frame before goes out in this one.
            left_us = clipped(1500 + (A * (seen_e - 1500) + B * (seen_a - 1500)) / 128);
            right_us = clipped(1500 + (C * (seen_e - 1500) + D * (seen_a - 1500)) / 128);
            $display("frame %0d %0d %0d %0d", elevator_us, aileron_us, left_us, right_us);
            fork
                begin elevator = 1; #(elevator_us * 1000) elevator = 0; end
                begin #2101 aileron = 1; #(aileron_us * 1000) aileron = 0; end
                begin #4207 left = 1; #(left_us * 1000) left = 0; end
                begin #6301 right = 1; #(right_us * 1000) right = 0; end
                #(PERIOD_NS);
            join
            elevator_us = elevator_us + elevator_step;
            aileron_us = aileron_us + aileron_step;
            if (elevator_us > 1900 || elevator_us < 1100) elevator_step = -elevator_step;
            if (aileron_us > 1900 || aileron_us < 1100) aileron_step = -aileron_step;
        end
        $finish;
    end
endmodule
