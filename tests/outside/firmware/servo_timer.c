// Hardware timer 1 of an ATmega328P makes servo pulses on its two output-compare
// pins; the CPU sleeps between overflows so that the simulator, which looks at
// timers between instructions, times each edge to the clock cycle.
//
// Built with -DTOP=..., -DCOMPARE_A=..., -DCOMPARE_B=..., -DCLOCK_SELECT=...

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "avr_mcu_section.h"

AVR_MCU(F_CPU, "atmega328p");
AVR_MCU_VCD_FILE("servo.vcd", 1000);
AVR_MCU_VCD_PORT_PIN('B', 1, "oc1a");
AVR_MCU_VCD_PORT_PIN('B', 2, "oc1b");

EMPTY_INTERRUPT(TIMER1_OVF_vect);

int main(void)
{
    DDRB = (1 << PB1) | (1 << PB2);
    ICR1 = TOP;
    OCR1A = COMPARE_A;
    OCR1B = COMPARE_B;
    TIMSK1 = 1 << TOIE1;
    // Fast PWM, mode 14: set at BOTTOM, clear on compare match, TOP in ICR1.
    TCCR1A = (1 << COM1A1) | (1 << COM1B1) | (1 << WGM11);
    TCCR1B = (1 << WGM13) | (1 << WGM12) | CLOCK_SELECT;
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    for (unsigned char frame = 0; frame < FRAMES; frame++)
        sleep_mode();
    cli(); // asleep without interrupts, the simulator ends
    sleep_mode();
    for (;;)
        ;
}
