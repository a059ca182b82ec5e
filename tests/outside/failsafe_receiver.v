// A receiver with a link and a failsafe, a transmitter with a power switch and two
// hands on its sticks, as a test bench.
//
// Written for IEEE Std 1364 (Verilog); it dumps the receiver's outputs and the
// switch as a value change dump (same standard) and prints what its hands and its
// state machine did, with the nanosecond, which is the truth for whoever reads the dump.
//
// The machine: a receiver without link searches. With enough packets in a row it
// follows them. After LOST_MS without a packet it counts itself lost and holds the
// last widths; hold_ms after the last packet each output goes over to what is set
// for it: a preset width, no pulses, or the held width for ever. Enough packets in
// a row bring it back to following from anywhere.
//
// Set at run time, for instance +hold_ms=400 +period_ns=20000013: hold_ms,
// period_ns (frame), relink (packets in a row), restart (the supply fails for
// 40 ms at this time in ms, with the transmitter on; 0 for never).

`timescale 1ns/1ns

`define SEARCHES 2'd0
`define FOLLOWS 2'd1
`define HOLDS 2'd2
`define LOST 2'd3

module output_stage #(
    parameter integer NUMBER = 1,
    parameter integer SKEW_NS = 0,
    parameter integer PRESET_NS = 0, // 0 for no pulses
    parameter integer KEEPS = 0      // 1 to hold for ever
) (
    input wire frame,
    input wire powered,
    input wire [1:0] state,
    input wire [31:0] command_ns,
    output reg pin
);
    integer width_ns;

    initial begin
        pin = 0;
        width_ns = 0;
    end

    always @(posedge frame) begin
        if (state == `SEARCHES) width_ns = 0;
        else if (state == `FOLLOWS) width_ns = command_ns;
        else if (state == `LOST && !KEEPS) width_ns = PRESET_NS;
        if (width_ns != 0) begin
            #(SKEW_NS) pin = powered;
            #(width_ns) pin = 0;
        end
    end

    always @(negedge powered) pin = 0;
endmodule

module failsafe_receiver;
    parameter integer LEAD_NS = 3000007;
    parameter integer PACKET_NS = 5003000;
    parameter integer LOST_MS = 30;
    parameter integer START_NS = 7300000;

    integer hold_ms, period_ns, relink, restart;

    initial begin
        if (!$value$plusargs("hold_ms=%d", hold_ms)) hold_ms = 400;
        if (!$value$plusargs("period_ns=%d", period_ns)) period_ns = 20000013;
        if (!$value$plusargs("relink=%d", relink)) relink = 60;
        if (!$value$plusargs("restart=%d", restart)) restart = 0;
    end

    // The hands: each stick goes to its target at so many nanoseconds of width per ms.
    reg tx_on;
    reg clock_ms;
    integer stick_ns [1:4];
    integer target_ns [1:4];
    integer speed_ns [1:4];
    integer rest_ns [1:4];
    integer i, step_ns;

    initial begin
        clock_ms = 0;
        forever #500000 clock_ms = !clock_ms;
    end

    always @(posedge clock_ms)
        for (i = 1; i <= 4; i = i + 1) begin
            step_ns = target_ns[i] - stick_ns[i];
            if (step_ns > speed_ns[i]) step_ns = speed_ns[i];
            if (step_ns < -speed_ns[i]) step_ns = -speed_ns[i];
            stick_ns[i] = stick_ns[i] + step_ns;
        end

    task go(input integer number, input integer width_ns, input integer over_ms);
        begin
            target_ns[number] = width_ns;
            speed_ns[number] = (width_ns > stick_ns[number] ? width_ns - stick_ns[number]
                                : stick_ns[number] - width_ns) / over_ms + 1;
        end
    endtask

    task rest(input integer over_ms);
        for (i = 1; i <= 4; i = i + 1) go(i, rest_ns[i], over_ms);
    endtask

    task switch(input value);
        begin
            tx_on = value;
            $display("switch %0d %0d %0d %0d %0d %0d", $time, value,
                     stick_ns[1], stick_ns[2], stick_ns[3], stick_ns[4]);
        end
    endtask

    // The link: a packet carries the sticks as they are.
    integer command_ns [1:4];
    integer since_ms, in_row, lost_ms;
    reg [1:0] state;
    reg powered;

    always begin
        #(PACKET_NS);
        if (tx_on && powered) begin
            for (i = 1; i <= 4; i = i + 1) command_ns[i] = stick_ns[i];
            since_ms = 0;
            if (in_row < relink) in_row = in_row + 1;
        end
    end

    always @(posedge clock_ms) begin
        since_ms = since_ms + 1;
        if (since_ms >= LOST_MS) in_row = 0;
        if (in_row >= relink) enter(`FOLLOWS);
        else if (state == `FOLLOWS && since_ms >= LOST_MS) begin
            lost_ms = since_ms;
            enter(`HOLDS);
        end else if (state == `HOLDS) begin
            lost_ms = lost_ms + 1;
            if (lost_ms >= hold_ms) enter(`LOST);
        end
    end

    task enter(input [1:0] next);
        if (state != next) begin
            state = next;
            $display("state %0d %0d %0d %0d %0d %0d", $time, state,
                     command_ns[1], command_ns[2], command_ns[3], command_ns[4]);
        end
    endtask

    // The frame clock and the outputs.
    reg frame;
    wire rx1, rx2, rx3, rx4;

    initial begin
        frame = 0;
        #(LEAD_NS);
        forever begin
            if (!powered) begin
                wait (powered);
                #(START_NS); // it starts, and begins its frames anew
            end
            frame = 1;
            #1000 frame = 0;
            #(period_ns - 1000);
        end
    end

    output_stage #(.NUMBER(1), .PRESET_NS(1500250), .SKEW_NS(0))
        drive_left (frame, powered, state, command_ns[1], rx1);
    output_stage #(.NUMBER(2), .PRESET_NS(0), .SKEW_NS(2101))
        drive_right (frame, powered, state, command_ns[2], rx2);
    output_stage #(.NUMBER(3), .PRESET_NS(1000125), .SKEW_NS(4303))
        weapon (frame, powered, state, command_ns[3], rx3);
    output_stage #(.NUMBER(4), .KEEPS(1), .SKEW_NS(6151))
        servo (frame, powered, state, command_ns[4], rx4);

    // The supply.
    initial begin
        powered = 1;
        #1;
        if (restart > 0) begin
            #(restart * 64'd1000000) powered = 0;
            $display("supply %0d 0", $time);
            state = `SEARCHES;
            in_row = 0;
            #40000000 powered = 1;
            $display("supply %0d 1", $time);
        end
    end

    // The recording: three losses, with the sticks held, moving and at rest.
    initial begin
        $dumpfile("failsafe_receiver.vcd");
        $dumpvars(1, tx_on, rx1, rx2, rx3, rx4);
        tx_on = 1;
        state = `FOLLOWS;
        since_ms = 0;
        in_row = 1000;
        rest_ns[1] = 1500250; rest_ns[2] = 1498125; rest_ns[3] = 1000125; rest_ns[4] = 1510500;
        for (i = 1; i <= 4; i = i + 1) begin
            stick_ns[i] = rest_ns[i];
            target_ns[i] = rest_ns[i];
            speed_ns[i] = 0;
            command_ns[i] = rest_ns[i];
        end
        #2000000000;
        go(1, 1720500, 900); go(2, 1302250, 700); go(3, 1600125, 900); go(4, 1650375, 800);
        #2013456789 switch(0); // held off rest, and still there when the link is back
        #3700123456 switch(1);
        #1500000000 rest(800);
        #1800000000;
        go(1, 1260000, 1600); go(2, 1700000, 1600); go(3, 1560000, 1600); go(4, 1300000, 1600);
        #0900654321 switch(0); // moving
        #1200000000 rest(500); // brought back while off
        #2650000000 switch(1);
        #3000000000 switch(0); // at rest
        #3300777777 switch(1);
        #2500000000 $display("end %0d", $time);
        $finish;
    end
endmodule
