// An ATmega328P makes servo pulses in software, by interrupts of timer 1, while
// another interrupt, of timer 2, holds the CPU for some 30 us at a time: an edge that
// falls into it comes late. The pin is dumped as the simulator changes it.
//
// Built with -DFRAMES=..., -DPERIOD=..., -DWIDTH=... (counts of 500 ns), -DBUSY_TOP=...
// (counts of 64 us) and -DBUSY_TURNS=... (turns of four cycles).

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/delay_basic.h>

#include "avr_mcu_section.h"

AVR_MCU(F_CPU, "atmega328p");
AVR_MCU_VCD_FILE("busy.vcd", 1000);
AVR_MCU_VCD_PORT_PIN('B', 1, "out");

static volatile unsigned int frame;

ISR(TIMER1_COMPA_vect)
{
    if (PORTB & (1 << PB1)) {
        PORTB &= ~(1 << PB1);
        OCR1A += PERIOD - WIDTH;
        frame++;
    } else {
        PORTB |= 1 << PB1;
        OCR1A += WIDTH;
    }
}

ISR(TIMER2_COMPA_vect)
{
    _delay_loop_2(BUSY_TURNS);
}

int main(void)
{
    DDRB = 1 << PB1;
    OCR1A = 4000;
    TIMSK1 = 1 << OCIE1A;
    TCCR1B = 1 << CS11; // clock / 8
    OCR2A = BUSY_TOP;
    TCCR2A = 1 << WGM21;
    TIMSK2 = 1 << OCIE2A;
    TCCR2B = (1 << CS22) | (1 << CS21) | (1 << CS20); // clock / 1024
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    while (frame < FRAMES)
        sleep_mode();
    cli(); // asleep without interrupts, the simulator ends
    sleep_mode();
    for (;;)
        ;
}
