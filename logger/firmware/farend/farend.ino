/* Pressure sampler for an ATmega328P board at 16 MHz (Uno, Nano and the like).
 *
 * Samples up to six analogue inputs at an even rate and sends lines at 115200 baud:
 *
 *     #farend columns=t_us,a0,a1 rate=250 unit=counts checksum=xor
 *     1004000,512,498*2F
 *
 * A timer starts each sample, so the times are even however long a line takes to send. Counts are 0 to 1023 of the supply: a
 * ratiometric sensor on the same 5 V needs no other reference. If the line is too slow, whole samples are left out and the time
 * stamps show it.
 *
 * Commands, a line each: "#farend?" describes; "rate 250", "channels 2" and "average 4" set up (until the next reset).
 *
 * Plain C for avr-gcc, and an Arduino sketch as it is:
 *
 *     avr-gcc -mmcu=atmega328p -DF_CPU=16000000UL -Os -x c farend.ino -o farend.elf
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#ifndef F_CPU
#define F_CPU 16000000UL
#endif

#define CHANNELS 6
#define SAMPLES 16   /* ring of samples that wait to be sent */
#define BYTES 128    /* ring of bytes that wait for the UART; a power of two */
#define CONVERSIONS_PER_S 9000UL /* 13 ADC clocks of 8 us each, with some room */
#define BYTES_PER_S 11000UL      /* of 115200 baud, with some room */
#define DESCRIBE_US 10000000UL

static uint16_t rate_hz = 250;
static uint8_t channels = 1;
static uint8_t average = 4;

/* Sampling: the timer begins a round of channels x average conversions; the ADC's interrupt walks through it. */

struct sample {
    uint32_t t_us;
    uint32_t sum[CHANNELS];
};

static volatile struct sample ring[SAMPLES];
static volatile uint8_t head, tail; /* written at head by the interrupt, read at tail by the main loop */
static volatile uint32_t clock_us;
static uint32_t period_us;
static uint8_t channel, turn, busy;

ISR(TIMER1_COMPA_vect)
{
    clock_us += period_us;
    if (busy || (uint8_t)((head + 1) % SAMPLES) == tail)
        return; /* too slow: leave this sample out, the time goes on */
    busy = 1;
    channel = turn = 0;
    ring[head].t_us = clock_us;
    for (uint8_t i = 0; i < CHANNELS; i++)
        ring[head].sum[i] = 0;
    ADMUX = _BV(REFS0); /* reference: the supply */
    ADCSRA |= _BV(ADSC);
}

ISR(ADC_vect)
{
    ring[head].sum[channel] += ADC;
    if (++turn == average) {
        turn = 0;
        if (++channel == channels) {
            head = (head + 1) % SAMPLES;
            busy = 0;
            return;
        }
        ADMUX = _BV(REFS0) | channel;
    }
    ADCSRA |= _BV(ADSC);
}

static void start_sampling(void)
{
    cli();
    head = tail = busy = 0;
    /* Timer 1 counts up to OCR1A at 16 MHz / 64 = 4 us a count: 4 Hz to 2 kHz in even steps. */
    uint16_t counts = (uint16_t)(F_CPU / 64 / rate_hz);
    period_us = (uint32_t)counts * (64000000UL / F_CPU);
    TCCR1A = 0;
    TCCR1B = _BV(WGM12) | _BV(CS11) | _BV(CS10);
    OCR1A = counts - 1;
    TCNT1 = 0;
    TIMSK1 = _BV(OCIE1A);
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
    sei();
}

/* Sending: bytes go through a ring to the UART's interrupt. */

static volatile uint8_t out[BYTES], out_head, out_tail;

ISR(USART_UDRE_vect)
{
    if (out_head == out_tail) {
        UCSR0B &= ~_BV(UDRIE0);
        return;
    }
    UDR0 = out[out_tail];
    out_tail = (out_tail + 1) % BYTES;
}

static void put(char c)
{
    uint8_t next = (out_head + 1) % BYTES;
    while (next == out_tail)
        ; /* the ring is full; samples meanwhile wait in theirs */
    out[out_head] = c;
    out_head = next;
    UCSR0B |= _BV(UDRIE0);
}

static void put_text(const char *text)
{
    while (*text)
        put(*text++);
}

static void put_number(uint32_t n)
{
    char digits[11];
    put_text(ultoa(n, digits, 10));
}

static void describe(void)
{
    put_text("\n#farend columns=t_us");
    for (uint8_t i = 0; i < channels; i++) {
        put_text(",a");
        put('0' + i);
    }
    put_text(" rate=");
    put_number(rate_hz);
    put_text(" unit=counts checksum=xor\n");
}

static char line[24 + 8 * CHANNELS];

static void send(const volatile struct sample *s)
{
    char *p = line;
    ultoa(s->t_us, p, 10);
    for (uint8_t i = 0; i < channels; i++) {
        p += strlen(p);
        *p++ = ',';
        /* The mean in hundredths of a count, as averaging resolves more than one count where there is noise. */
        uint32_t hundredths = (s->sum[i] * 100 + average / 2) / average;
        ultoa(hundredths / 100, p, 10);
        if (average > 1) {
            p += strlen(p);
            *p++ = '.';
            *p++ = '0' + hundredths / 10 % 10;
            *p++ = '0' + hundredths % 10;
            *p = 0;
        }
    }
    uint8_t sum = 0;
    for (p = line; *p; p++)
        sum ^= *p;
    put_text(line);
    put('*');
    put("0123456789ABCDEF"[sum >> 4]);
    put("0123456789ABCDEF"[sum & 15]);
    put('\n');
}

/* Commands. */

static uint8_t possible(uint32_t rate, uint32_t number, uint32_t mean)
{
    return rate >= 4 && rate <= 2000 && number >= 1 && number <= CHANNELS && mean >= 1 && mean <= 64
        && rate * number * mean <= CONVERSIONS_PER_S
        && rate * (14 + number * (mean > 1 ? 8 : 5)) <= BYTES_PER_S;
}

static void obey(const char *command)
{
    const char *value = strchr(command, ' ');
    uint32_t n = value ? strtoul(value + 1, 0, 10) : 0;
    uint32_t rate = rate_hz, number = channels, mean = average;
    if (strcmp(command, "#farend?") == 0) {
        describe();
        return;
    }
    if (strncmp(command, "rate ", 5) == 0)
        rate = n;
    else if (strncmp(command, "channels ", 9) == 0)
        number = n;
    else if (strncmp(command, "average ", 8) == 0)
        mean = n;
    else {
        put_text("# commands: #farend? | rate N | channels N | average N\n");
        return;
    }
    if (!possible(rate, number, mean)) {
        put_text("# too much for the converter or the line; nothing was changed\n");
        return;
    }
    rate_hz = rate;
    channels = number;
    average = mean;
    start_sampling();
    describe();
}

static char command[24];
static volatile uint8_t command_length, command_ready;

ISR(USART_RX_vect)
{
    char c = UDR0; /* at once: the UART holds two bytes, and the main loop may be waiting for room to send */
    if (command_ready)
        return;
    if (c == '\n' || c == '\r') {
        command[command_length] = 0;
        command_ready = command_length > 0;
        command_length = 0;
    } else if (command_length < sizeof command - 1)
        command[command_length++] = c;
}

static void listen(void)
{
    if (command_ready) {
        obey(command);
        command_ready = 0;
    }
}

int main(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = 16; /* 115200 baud at 16 MHz, 2.1 % fast */
    UCSR0B = _BV(TXEN0) | _BV(RXEN0) | _BV(RXCIE0);
    start_sampling();
    describe();
    uint32_t described = 0;
    for (;;) {
        listen();
        if (tail == head)
            continue;
        uint32_t now = ring[tail].t_us;
        send(&ring[tail]);
        tail = (tail + 1) % SAMPLES;
        if (now - described >= DESCRIBE_US) {
            described = now;
            describe();
        }
    }
}
