// A receiver with a failsafe on an ATmega328P at 8 MHz, timed by software.
//
// Input D2 is the link: a pulse for each packet, four times as long as the width
// it commands. Input D3 is the transmitter's switch; it is not read, and stands in
// the dump beside the outputs. Outputs B1 and B2 pulse one after the other in each
// frame and follow the same command; when lost, B1 goes to neutral and B2 stops.
//
// The link's watchdog: timer 0 counts milliseconds since the last edge on D2. After
// LOST_MS the outputs hold, after HOLD_MS they go over to what is set for them, and
// with RELINK packets in a row they follow again. It never sleeps, because the
// simulator would wait in real time.
//
// Built with -DHOLD_MS=..., -DRELINK=..., -DFRAME_US=...

#include <avr/interrupt.h>
#include <avr/io.h>

#include "avr_mcu_section.h"

AVR_MCU(F_CPU, "atmega328p");
AVR_MCU_VCD_FILE("failsafe.vcd", 1000);
AVR_MCU_VCD_PORT_PIN('B', 1, "drive");
AVR_MCU_VCD_PORT_PIN('B', 2, "weapon");
AVR_MCU_VCD_PORT_PIN('D', 3, "tx_on");

#define LOST_MS 50
#define NEUTRAL_US 1500

static volatile uint16_t command_us = NEUTRAL_US;
static volatile uint16_t silent_ms, lost_ms;
static volatile uint8_t in_row = RELINK;

ISR(INT0_vect)
{
    static uint16_t rise_us;
    uint16_t now_us = TCNT1;
    silent_ms = 0;
    if (PIND & (1 << PD2)) {
        rise_us = now_us;
        return;
    }
    uint16_t long_us = now_us - rise_us;
    if (long_us < 4 * 800 || long_us > 4 * 2200)
        return; // no packet
    command_us = long_us / 4;
    if (in_row < RELINK)
        in_row++;
}

ISR(TIMER0_COMPA_vect)
{
    if (silent_ms < 60000)
        silent_ms++;
    if (silent_ms >= LOST_MS)
        in_row = 0;
    if (in_row >= RELINK)
        lost_ms = 0;
    else if (lost_ms == 0)
        lost_ms = silent_ms;
    else if (lost_ms < 60000)
        lost_ms++;
}

// The two halves of a 16-bit value are read without an interrupt between them.
static uint16_t whole(volatile uint16_t *value)
{
    cli();
    uint16_t read = *value;
    sei();
    return read;
}

static void wait(uint16_t from_us, uint16_t long_us)
{
    while ((uint16_t)(whole(&TCNT1) - from_us) < long_us)
        ;
}

static void pulse(uint8_t pin, uint16_t width_us)
{
    if (width_us == 0)
        return;
    uint16_t from_us = whole(&TCNT1);
    PORTB |= pin;
    wait(from_us, width_us);
    PORTB &= ~pin;
}

int main(void)
{
    DDRB = (1 << PB1) | (1 << PB2);
    PORTB = 0;
    TCCR1B = 1 << CS11; // timer 1 runs freely, one count a microsecond
    TCCR0A = 1 << WGM01; // timer 0, clear on match: 125 counts of 8 us
    OCR0A = 124;
    TIMSK0 = 1 << OCIE0A;
    TCCR0B = (1 << CS01) | (1 << CS00);
    EICRA = 1 << ISC00; // both edges
    EIMSK = 1 << INT0;
    uint16_t drive_us = NEUTRAL_US, weapon_us = NEUTRAL_US, frame_us = 0;
    sei();
    for (;;) {
        uint16_t gone_ms = whole(&lost_ms);
        if (gone_ms == 0) {
            drive_us = weapon_us = whole(&command_us);
        } else if (gone_ms >= HOLD_MS) {
            drive_us = NEUTRAL_US;
            weapon_us = 0;
        }
        pulse(1 << PB1, drive_us);
        pulse(1 << PB2, weapon_us);
        wait(frame_us, FRAME_US);
        frame_us += FRAME_US;
    }
}
