// A receiver with a drive mixer on an ATmega328P at 8 MHz, and the states of its link.
//
// Inputs: D2 and D3 are the packets of the forward and the turn command, pulses four times as long
// as the widths; D4 is the supply, D5 the transmitter's switch, which is not read. D6, D7 and C0 are
// straps. Outputs pulse one after the other in each frame: B1 left and B2 right, mixed, and B3 and B4
// the commands themselves.
//
// Without supply all is low. With supply and never a link since, the drives get PRESET_US; no pulses,
// with strap D6; or with strap D7 those of the link before, which the chip keeps (STORED_US at first).
// With RELINK packets in a row they follow. Without packets for HOLD_MS they hold, then get
// PRESET_US, which is known at once; with strap C0 once the link has lasted KNOWN_MS; lost before,
// they hold for good.

#include <avr/interrupt.h>
#include <avr/io.h>

#include "avr_mcu_section.h"

AVR_MCU(F_CPU, "atmega328p");
AVR_MCU_VCD_FILE("states.vcd", 1000);
AVR_MCU_VCD_PORT_PIN('B', 1, "left");
AVR_MCU_VCD_PORT_PIN('B', 2, "right");
AVR_MCU_VCD_PORT_PIN('B', 3, "elevator");
AVR_MCU_VCD_PORT_PIN('B', 4, "aileron");
AVR_MCU_VCD_PORT_PIN('D', 5, "tx_on");

#define LOST_MS 50
#define HOLD_MS 500
#define KNOWN_MS 4000
#define RELINK 10
#define PRESET_US 1508
#define STORED_US 1640
#define FRAME_US 20000

static volatile uint16_t forward_us = 1500, turn_us = 1500;
static volatile uint16_t silent_ms = LOST_MS, lost_ms = 1, linked_ms;
static volatile uint8_t in_row, knows;

static uint16_t packet(uint8_t is_high, uint16_t *rise_us, uint16_t otherwise)
{
    uint16_t now_us = TCNT1;
    if (is_high) {
        *rise_us = now_us;
        return otherwise;
    }
    uint16_t long_us = now_us - *rise_us;
    return long_us < 4 * 800 || long_us > 4 * 2200 ? otherwise : long_us / 4;
}

ISR(INT0_vect)
{
    static uint16_t rise_us;
    uint8_t is_high = PIND & (1 << PD2);
    silent_ms = 0;
    forward_us = packet(is_high, &rise_us, forward_us);
    if (!is_high && in_row < RELINK)
        in_row++;
}

ISR(INT1_vect)
{
    static uint16_t rise_us;
    turn_us = packet(PIND & (1 << PD3), &rise_us, turn_us);
}

ISR(TIMER0_COMPA_vect)
{
    if (silent_ms < 60000)
        silent_ms++;
    if (silent_ms >= LOST_MS)
        in_row = 0;
    if (in_row >= RELINK) {
        lost_ms = 0;
        if (linked_ms < 60000)
            linked_ms++;
        knows = !(PINC & (1 << PC0)) || linked_ms >= KNOWN_MS;
    } else if (lost_ms == 0) {
        lost_ms = silent_ms;
        linked_ms = 0;
    } else if (lost_ms < 60000) {
        lost_ms++;
    }
}

static uint16_t whole(volatile uint16_t *value)
{
    cli();
    uint16_t read = *value;
    sei();
    return read;
}

static uint8_t has_supply(void)
{
    return PIND & (1 << PD4);
}

static void wait(uint16_t from_us, uint16_t long_us)
{
    while ((uint16_t)(whole(&TCNT1) - from_us) < long_us)
        ;
}

static void pulse(uint8_t pin, uint16_t width_us)
{
    uint16_t from_us = whole(&TCNT1);
    if (!has_supply() || !width_us)
        return;
    PORTB |= pin;
    wait(from_us, width_us);
    PORTB &= ~pin;
}

static uint16_t mixed(int16_t sum_us)
{
    return sum_us < 1000 ? 1000 : sum_us > 2000 ? 2000 : sum_us;
}

int main(void)
{
    DDRB = (1 << PB1) | (1 << PB2) | (1 << PB3) | (1 << PB4);
    PORTB = 0;
    TCCR1B = 1 << CS11; // timer 1 runs freely, one count a microsecond
    TCCR0A = 1 << WGM01; // timer 0, clear on match: 125 counts of 8 us
    OCR0A = 124;
    TIMSK0 = 1 << OCIE0A;
    TCCR0B = (1 << CS01) | (1 << CS00);
    EICRA = (1 << ISC00) | (1 << ISC10); // both edges
    EIMSK = (1 << INT0) | (1 << INT1);
    uint16_t left_us = 0, right_us = 0, frame_us = 0, kept_left_us = STORED_US, kept_right_us = STORED_US;
    uint8_t runs = 0, ever = 0;
    sei();
    for (;;) {
        if (!has_supply()) {
            cli();
            in_row = 0;
            lost_ms = 1;
            linked_ms = 0;
            sei();
            runs = ever = 0;
            continue;
        }
        if (!runs) {
            runs = 1;
            left_us = right_us = PIND & (1 << PD6) ? 0 : PRESET_US;
            if (PIND & (1 << PD7)) {
                left_us = kept_left_us;
                right_us = kept_right_us;
            }
            for (uint8_t turns = 0; turns < 3; turns++)
                wait(whole(&TCNT1), 15500); // the start takes its time, and the beat is a new one
            frame_us = whole(&TCNT1);
        }
        uint16_t gone_ms = whole(&lost_ms);
        if (gone_ms == 0) {
            int16_t forward = whole(&forward_us), turn = whole(&turn_us);
            left_us = kept_left_us = mixed(forward + (turn - 1500));
            right_us = kept_right_us = mixed(forward - (turn - 1500));
            ever = 1;
        } else if (ever && knows && gone_ms >= HOLD_MS) {
            left_us = right_us = PRESET_US;
        }
        pulse(1 << PB1, left_us);
        pulse(1 << PB2, right_us);
        uint8_t is_dumb = !ever && (PIND & (1 << PD6));
        pulse(1 << PB3, is_dumb ? 0 : whole(&forward_us));
        pulse(1 << PB4, is_dumb ? 0 : whole(&turn_us));
        wait(frame_us, FRAME_US);
        frame_us += FRAME_US;
    }
}
