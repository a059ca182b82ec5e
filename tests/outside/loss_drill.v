// Ten losses of the link as a drill asks for them, and three ways in which receivers
// differ from the plain one: a search of any length before they follow again, a
// channel that the failsafe does not cover, and presets that are reached by a ramp.
//
// Written for IEEE Std 1364 (Verilog); it dumps three outputs and the transmitter's
// switch as a value change dump (same standard) and prints each pulse, each move of the
// switch and each change of its state with the nanosecond: the truth for whoever
// reads the dump.
//
// Set at run time: period_ns (frame), hold_ms (from the last packet to the presets),
// ramp_ms (0 for a jump), search_ms_min and search_ms_max (from the transmitter's going
// on until the receiver follows), uncovered (1: the weapon has no preset and holds),
// flips (1: the hand takes the weapon down just before each loss and up again after
// the link is back), seed.

`timescale 1ns/1ns

`define FOLLOWS 2'd1
`define HOLDS 2'd2
`define PRESET 2'd3

module loss_drill;
    parameter integer PACKET_NS = 7001000;
    parameter integer LOST_MS = 40;
    parameter integer LOSSES = 10;

    integer period_ns, hold_ms, ramp_ms, search_ms_min, search_ms_max, uncovered, flips, seed;

    initial begin
        if (!$value$plusargs("period_ns=%d", period_ns)) period_ns = 20000000;
        if (!$value$plusargs("hold_ms=%d", hold_ms)) hold_ms = 500;
        if (!$value$plusargs("ramp_ms=%d", ramp_ms)) ramp_ms = 0;
        if (!$value$plusargs("search_ms_min=%d", search_ms_min)) search_ms_min = 250;
        if (!$value$plusargs("search_ms_max=%d", search_ms_max)) search_ms_max = 350;
        if (!$value$plusargs("uncovered=%d", uncovered)) uncovered = 0;
        if (!$value$plusargs("flips=%d", flips)) flips = 0;
        if (!$value$plusargs("seed=%d", seed)) seed = 1;
    end

    // A whole number from low to high, each as likely.
    function integer draw(input integer low, input integer high);
        draw = $dist_uniform(seed, low, high);
    endfunction

    // The hands, one step a millisecond; a stick's own speed in nanoseconds a step.
    integer stick_ns [1:3];
    integer target_ns [1:3];
    integer speed_ns [1:3];
    integer preset_ns [1:3];
    integer i, step_ns;
    reg clock_ms;

    initial begin
        clock_ms = 0;
        forever #500000 clock_ms = !clock_ms;
    end

    always @(posedge clock_ms)
        for (i = 1; i <= 3; i = i + 1) begin
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

    // The link, and the receiver's state.
    reg tx_on;
    integer command_ns [1:3];
    integer since_ms, on_ms, search_ms, preset_ms;
    reg [1:0] state;

    always begin
        #(PACKET_NS);
        if (tx_on) begin
            since_ms = 0;
            if (state == `FOLLOWS)
                for (i = 1; i <= 3; i = i + 1) command_ns[i] = stick_ns[i];
        end
    end

    task enter(input [1:0] next);
        if (state != next) begin
            state = next;
            $display("state %0d %0d", $time, state);
        end
    endtask

    always @(posedge clock_ms) begin
        since_ms = since_ms + 1;
        on_ms = tx_on ? on_ms + 1 : 0;
        preset_ms = preset_ms + 1;
        if (state == `FOLLOWS && since_ms >= LOST_MS) begin
            search_ms = draw(search_ms_min, search_ms_max);
            enter(`HOLDS);
        end
        if (state == `HOLDS && since_ms >= hold_ms) begin
            preset_ms = 0;
            enter(`PRESET);
        end
        if (state != `FOLLOWS && on_ms >= search_ms && tx_on) enter(`FOLLOWS);
    end

    // The outputs: one pulse each a frame, one after the other, each late by a little.
    reg rx1, rx2, rx3;
    integer width_ns [1:3];
    integer n, done_ms;

    task put(input integer number);
        begin
            width_ns[number] = command_ns[number];
            if (state == `PRESET && !(uncovered && number == 3)) begin
                done_ms = preset_ms < ramp_ms ? preset_ms : ramp_ms;
                width_ns[number] = ramp_ms == 0 ? preset_ns[number] : command_ns[number]
                    + (preset_ns[number] - command_ns[number]) / ramp_ms * done_ms;
                if (done_ms == ramp_ms) width_ns[number] = preset_ns[number];
            end
            width_ns[number] = width_ns[number] + draw(-400, 400);
            $display("pulse %0d %0d %0d", number, $time, width_ns[number]);
            case (number)
                1: rx1 = 1;
                2: rx2 = 1;
                3: rx3 = 1;
            endcase
            #(width_ns[number]);
            rx1 = 0;
            rx2 = 0;
            rx3 = 0;
        end
    endtask

    reg frame;

    initial begin
        frame = 0;
        #3000007;
        forever #(period_ns) frame = !frame;
    end

    always @(frame) begin
        #(draw(1, 2000));
        for (n = 1; n <= 3; n = n + 1) put(n);
    end

    task switch(input value);
        begin
            tx_on = value;
            $display("switch %0d %0d", $time, value);
        end
    endtask

    // The drill: hold both sticks off rest, off for 2.5 to 6 s, on, let go.
    integer loss, drive_ns, turn_ns, weapon_ns;

    initial begin
        $dumpfile("loss_drill.vcd");
        $dumpvars(1, tx_on, rx1, rx2, rx3);
        tx_on = 1;
        rx1 = 0; rx2 = 0; rx3 = 0;
        since_ms = 0; on_ms = 0; preset_ms = 0; search_ms = 0;
        state = `FOLLOWS;
        preset_ns[1] = 1500000; preset_ns[2] = 1500000; preset_ns[3] = 1000000;
        for (i = 1; i <= 3; i = i + 1) begin
            stick_ns[i] = preset_ns[i];
            target_ns[i] = preset_ns[i];
            speed_ns[i] = 0;
            command_ns[i] = preset_ns[i];
        end
        #1500000000;
        for (loss = 1; loss <= LOSSES; loss = loss + 1) begin
            drive_ns = draw(160000, 300000);
            turn_ns = draw(30000, 70000);
            weapon_ns = draw(1250000, 1700000);
            go(1, 1500000 + drive_ns + turn_ns, 300);
            go(2, 1500000 + drive_ns - turn_ns, 300);
            go(3, weapon_ns, 400);
            #(64'd1000000 * draw(1800, 2200));
            if (flips) begin
                go(3, preset_ns[3], 80);
                #(64'd1000000 * draw(150, 600));
            end
            switch(0);
            #(64'd1000000 * draw(2500, 6000));
            switch(1);
            #(64'd1000000 * (search_ms_max + draw(700, 1200)));
            if (flips) begin
                go(3, weapon_ns, 80);
                #(64'd1000000 * draw(900, 1500));
            end
            go(1, preset_ns[1], 300);
            go(2, preset_ns[2], 300);
            go(3, preset_ns[3], 400);
            #(64'd1000000 * draw(1500, 2000));
        end
        $display("end %0d", $time);
        $finish;
    end
endmodule
