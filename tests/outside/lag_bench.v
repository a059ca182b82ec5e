// A moved channel and two devices behind it, as a test bench for delay and transfer.
//
// Written for IEEE Std 1364 (Verilog). The input's frame starts jitter; its width
// rests, goes to a place drawn by $random at a pace drawn by $random, and rests
// again. The first device measures each pulse and puts out, a fixed time after the
// pulse ends, the width of the pulse before, rounded down to whole steps; it leaves
// out every 41st frame. The second has a frame clock of its own; it takes the newest
// width that was measured a certain time before, times 3/2 about the middle, and
// clips it at both ends. The outputs are dumped as a value-change dump. Times are
// whole nanoseconds; $random's sequence is fixed by the standard.

`timescale 1ns/1ns

module moved_channel #(
    parameter integer LEAD_NS = 3000007,
    parameter integer PERIOD_NS = 20000000,
    parameter integer JITTER_NS = 6000,
    parameter integer FRAMES = 900
) (output reg pin, output reg over);
    integer frame, seed, late_ns, width_ns, goal_ns, pace_ns, rest;

    initial begin
        pin = 0;
        over = 0;
        seed = 4711;
        width_ns = 1500137;
        goal_ns = 1500137;
        pace_ns = 10000;
        rest = 40;
        #(LEAD_NS);
        for (frame = 0; frame < FRAMES; frame = frame + 1) begin
            late_ns = $unsigned($random(seed)) % JITTER_NS;
            #(late_ns) pin = 1;
            #(width_ns) pin = 0;
            #(PERIOD_NS - width_ns - late_ns);
            if (width_ns != goal_ns) begin
                if (goal_ns - width_ns > pace_ns) width_ns = width_ns + pace_ns;
                else if (width_ns - goal_ns > pace_ns) width_ns = width_ns - pace_ns;
                else begin
                    width_ns = goal_ns;
                    rest = 21 + $unsigned($random(seed)) % 20;
                end
            end else if (rest > 0) rest = rest - 1;
            else begin
                goal_ns = 1060000 + $unsigned($random(seed)) % 880000;
                pace_ns = 6000 + $unsigned($random(seed)) % 30000;
            end
        end
        over = 1;
    end
endmodule

module late_converter #(
    parameter integer AFTER_NS = 317013,
    parameter integer STEP_NS = 5000,
    parameter integer LEAVE_OUT = 41
) (input wire in, output reg pin);
    integer frame, held_ns, next_ns;
    time begun_ns;

    initial begin
        pin = 0;
        frame = 0;
        held_ns = 0;
    end

    always @(posedge in) begun_ns = $time;

    always @(negedge in) begin
        frame = frame + 1;
        next_ns = ($time - begun_ns) / STEP_NS * STEP_NS;
        #(AFTER_NS);
        if (held_ns > 0 && frame % LEAVE_OUT != 0) begin
            pin = 1;
            #(held_ns) pin = 0;
        end
        held_ns = next_ns;
    end
endmodule

module clocked_converter #(
    parameter integer LEAD_NS = 31400011,
    parameter integer PERIOD_NS = 20170019,
    parameter integer LATCH_NS = 150000,
    parameter integer LOW_NS = 1100000,
    parameter integer HIGH_NS = 1900000
) (input wire in, output reg pin);
    integer known_ns, made_ns;
    time begun_ns;

    always @(posedge in) begun_ns = $time;

    always @(negedge in) begin
        made_ns = $time - begun_ns;
        #(LATCH_NS) known_ns = made_ns;
    end

    initial begin
        pin = 0;
        known_ns = 1500000;
        #(LEAD_NS);
        forever begin : frame
            integer width_ns;
            width_ns = 1500000 + (known_ns - 1500000) * 3 / 2;
            if (width_ns < LOW_NS) width_ns = LOW_NS;
            if (width_ns > HIGH_NS) width_ns = HIGH_NS;
            pin = 1;
            #(width_ns) pin = 0;
            #(PERIOD_NS - width_ns);
        end
    end
endmodule

module lag_bench;
    wire in, late, clocked, over;

    moved_channel source (in, over);
    late_converter first (in, late);
    clocked_converter second (in, clocked);

    initial begin
        $dumpfile("lag_bench.vcd");
        $dumpvars(0, in, late, clocked);
        wait (over) $finish;
    end
endmodule
