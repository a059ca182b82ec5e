// A receiver whose link loses packets, as a test bench with a log of every loss.
//
// Written for IEEE Std 1364 (Verilog); it dumps the receiver's outputs as a value change dump
// (same standard) and prints, with the nanosecond, each frame for which no packet came, and when
// the sticks were on the move: the truth for whoever reads the dump.
//
// A packet goes out before each frame and carries the sticks as they are. The air takes some of
// them: by a shift register of 32 bits, `+loss` of 256 packets begin a fade, which lasts 1 to
// `+fade` packets. A receiver without a new packet makes its pulses by the last one. A channel has
// `+steps_ns` nanoseconds between widths.

`timescale 1ns/1ns

module stale_receiver;
    integer period_ns, loss, fade, steps_ns, seed;

    initial begin
        if (!$value$plusargs("period_ns=%d", period_ns)) period_ns = 20000013;
        if (!$value$plusargs("loss=%d", loss)) loss = 16;
        if (!$value$plusargs("fade=%d", fade)) fade = 8;
        if (!$value$plusargs("steps_ns=%d", steps_ns)) steps_ns = 488;
        if (!$value$plusargs("seed=%d", seed)) seed = 7;
    end

    // The hands: two sticks swing from end to end with a smooth pace and rest at each end.
    integer stick_ns [1:3];
    reg clock_ms;
    integer part, way, k, n;
    integer span_ms [1:2];
    integer rest_ms [1:2];
    integer at_ms [1:2];
    reg up [1:2];

    initial begin
        clock_ms = 0;
        forever #500000 clock_ms = !clock_ms;
    end

    // way = 3 p^2 - 2 p^3 in parts of 4096, p the part of the move that is done
    always @(posedge clock_ms)
        for (k = 1; k <= 2; k = k + 1) begin
            at_ms[k] = at_ms[k] + 1;
            if (at_ms[k] == span_ms[k] + rest_ms[k]) begin
                at_ms[k] = 0;
                up[k] = !up[k];
            end
            part = at_ms[k] >= span_ms[k] ? 4096 : (at_ms[k] * 4096) / span_ms[k];
            way = (part * part / 4096) * (3 * 4096 - 2 * part) / 4096;
            stick_ns[k] = up[k] ? 1080000 + way * 205 : 1080000 + (4096 - way) * 205;
        end

    // The air.
    reg [31:0] air;
    integer fading;

    task draw;
        for (n = 0; n < 11; n = n + 1)
            air = {air[30:0], air[31] ^ air[21] ^ air[1] ^ air[0]};
    endtask

    // The receiver: a packet, then the frame.
    integer command_ns [1:3];
    integer frame_number;
    reg frame, rx1, rx2, rx3;

    initial begin
        frame = 0;
        frame_number = 0;
        fading = 0;
        #4000037;
        forever begin
            draw;
            if (fading == 0 && frame_number > 0 && air[7:0] < loss) begin
                draw;
                fading = 1 + air[15:0] % fade;
            end
            if (fading > 0) begin
                fading = fading - 1;
                $display("lost %0d %0d", frame_number, $time);
            end else
                for (k = 1; k <= 3; k = k + 1)
                    command_ns[k] = (stick_ns[k] / steps_ns) * steps_ns;
            frame_number = frame_number + 1;
            frame = 1;
            #1000 frame = 0;
            #(period_ns - 1000);
        end
    end

    always @(posedge frame) begin
        rx1 = 1;
        #(command_ns[1]) rx1 = 0;
    end

    always @(posedge frame) begin
        #2101 rx2 = 1;
        #(command_ns[2]) rx2 = 0;
    end

    always @(posedge frame) begin
        #4303 rx3 = 1;
        #(command_ns[3]) rx3 = 0;
    end

    initial begin
        $dumpfile("stale_receiver.vcd");
        $dumpvars(1, rx1, rx2, rx3);
        rx1 = 0; rx2 = 0; rx3 = 0;
        stick_ns[1] = 1080000; stick_ns[2] = 1080000; stick_ns[3] = 1500000;
        command_ns[1] = 1080000; command_ns[2] = 1080000; command_ns[3] = 1500000;
        span_ms[1] = 900; rest_ms[1] = 300; at_ms[1] = 0; up[1] = 1;
        span_ms[2] = 1100; rest_ms[2] = 150; at_ms[2] = 0; up[2] = 1;
        #1 air = 32'h9e3779b9 ^ seed;
        #60000000000 $display("end %0d", $time);
        $finish;
    end
endmodule
