// Two receivers on slightly different clocks, as a test bench for order and skew.
//
// Written for IEEE Std 1364 (Verilog). Receiver A starts its four outputs one
// after another: each begins a fixed time after the one before has ended. B
// starts its three all together, but for some gate delays; its third output
// leaves out every 37th frame. All widths of A and one of B sweep to and fro. The
// frame starts of both jitter by $random, whose sequence that standard fixes.
// The outputs are dumped as a value-change dump. Times are whole nanoseconds.

`timescale 1ns/1ns

module swept_pulse #(
    parameter integer MIDDLE_NS = 1500137,
    parameter integer THROW_NS = 400000,
    parameter integer STEP_NS = 9973,
    parameter integer LEAVE_OUT = 0
) (input wire go, output reg pin, output reg done);
    integer width_ns;
    integer step_ns;
    integer frame;

    initial begin
        pin = 0;
        done = 0;
        frame = 0;
        width_ns = MIDDLE_NS;
        step_ns = STEP_NS;
    end

    always @(posedge go) begin
        frame = frame + 1;
        done = 0;
        if (LEAVE_OUT == 0 || frame % LEAVE_OUT != 0) pin = 1;
        #(width_ns) pin = 0;
        done = 1;
        if (width_ns + step_ns > MIDDLE_NS + THROW_NS || width_ns + step_ns < MIDDLE_NS - THROW_NS)
            step_ns = -step_ns;
        width_ns = width_ns + step_ns;
    end
endmodule

module frame_clock #(
    parameter integer LEAD_NS = 3000007,
    parameter integer PERIOD_NS = 20000013,
    parameter integer JITTER_NS = 5000,
    parameter integer SEED = 1,
    parameter integer FRAMES = 600
) (output reg tick, output reg over);
    integer frame;
    integer seed;
    integer late_ns;

    initial begin
        tick = 0;
        over = 0;
        seed = SEED;
        #(LEAD_NS);
        for (frame = 0; frame < FRAMES; frame = frame + 1) begin
            late_ns = $unsigned($random(seed)) % JITTER_NS;
            #(late_ns) tick = 1;
            #(100000) tick = 0;
            #(PERIOD_NS - 100000 - late_ns);
        end
        over = 1;
    end
endmodule

module skew_bench;
    parameter integer FRAMES = 600;
    parameter integer A_PERIOD_NS = 20000013;
    parameter integer B_PERIOD_NS = 20000297;
    parameter integer GAP_NS = 317;

    wire a_tick, b_tick, a_over, b_over;
    wire a1, a2, a3, a4, b1, b2, b3;
    wire a1_done, a2_done, a3_done, a4_done, b1_done, b2_done, b3_done;
    wire a2_go, a3_go, a4_go, b2_go, b3_go;

    frame_clock #(.LEAD_NS(3000007), .PERIOD_NS(A_PERIOD_NS), .SEED(11), .FRAMES(FRAMES))
        a_clock (a_tick, a_over);
    frame_clock #(.LEAD_NS(9400009), .PERIOD_NS(B_PERIOD_NS), .SEED(23), .FRAMES(FRAMES))
        b_clock (b_tick, b_over);

    assign #(GAP_NS) a2_go = a1_done;
    assign #(GAP_NS) a3_go = a2_done;
    assign #(GAP_NS) a4_go = a3_done;
    assign #(2101) b2_go = b_tick;
    assign #(4207) b3_go = b_tick;

    swept_pulse #(.STEP_NS(9973)) a_one (a_tick, a1, a1_done);
    swept_pulse #(.STEP_NS(-7919), .MIDDLE_NS(1400611)) a_two (a2_go, a2, a2_done);
    swept_pulse #(.STEP_NS(16903), .MIDDLE_NS(1550333)) a_three (a3_go, a3, a3_done);
    swept_pulse #(.STEP_NS(4001)) a_four (a4_go, a4, a4_done);
    swept_pulse #(.STEP_NS(6007)) b_one (b_tick, b1, b1_done);
    swept_pulse #(.STEP_NS(0), .MIDDLE_NS(1200611)) b_two (b2_go, b2, b2_done);
    swept_pulse #(.STEP_NS(0), .MIDDLE_NS(1799999), .LEAVE_OUT(37)) b_three (b3_go, b3, b3_done);

    initial begin
        $dumpfile("skew_bench.vcd");
        $dumpvars(0, a3, b2, a1, b3, a4, a2, b1);
        wait (a_over && b_over) $finish;
    end
endmodule
