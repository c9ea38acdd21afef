/*
 * farend_board: reads air-line sensors with an ATmega328P (16 MHz, 5 V) and sends them as text lines.
 *
 *     #farend columns=t_us,a0 rate=250 unit=counts checksum=crc16 average=8 lost=0
 *     4000,512.25*CAA2
 *
 * t_us counts sampling periods by a hardware timer, also those whose reading was lost: it is the sequence number too, and
 * wraps at 2^32. It is the instant at which the first conversion of a reading begins. *HHHH is the CRC-16 of the bytes before it
 * (polynomial 0x1021 from 0xFFFF): it also tells two flipped bits, which an XOR lets through one time in eight.
 * The first line comes at the start, every 10 s, and as the answer to "#farend?". `lost` counts readings that were taken too
 * late or could not be sent.
 *
 * Commands, one a line:  rate 500   channels 2   average 4   baud 250000   #farend?
 * What is accepted is kept in EEPROM, as opening the port restarts most boards. D2 held to GND at the start: back to
 * rate 250, channels 1, average 8, baud 115200.
 *
 * One source, plain C, also a sketch; README.md beside this folder says how to build it.
 */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#if !defined(F_CPU) || F_CPU != 16000000UL
#error "Needed is a 16 MHz board at 5 V (F_CPU=16000000UL): at 3.3 V a 0.5 to 4.5 V sensor would overdrive the inputs."
#endif
#include <util/crc16.h>
#include <util/delay.h>

#ifndef FIRST_TIME_US
#define FIRST_TIME_US 0UL /* the tests set it just below 2^32, not to wait 71 minutes for the wrap */
#endif

#define MAX_CHANNELS 6
#define MAX_RATE_HZ 2000
#define MAX_AVERAGE 64     /* 64 * 1023 still fits 16 bits */
#define CONVERSION_US 112U /* 13 clocks of 8 us, and the interrupt that starts the next one */
#define SCANS 16           /* readings that may wait to be sent; a power of two */
#define DESCRIBE_S 10U

/* ---- Settings ---- */

typedef struct {
    uint32_t baud;
    uint16_t rate_hz;
    uint8_t channels; /* a0 to a5: the first so many */
    uint8_t average;  /* conversions per channel and reading; a power of two */
    uint8_t version;  /* tells our EEPROM from somebody else's */
} Settings;

static const Settings FACTORY = {115200UL, 250, 1, 8, 0xF1};
static Settings settings;
static Settings EEMEM kept;

static uint32_t period_us(uint16_t rate_hz) {
    return (1000000UL + rate_hz / 2) / rate_hz;
}

static uint16_t baud_divider(uint32_t baud) {
    return (uint16_t)((F_CPU / 8 + baud / 2) / baud - 1);
}

static uint8_t baud_can_be_made(uint32_t baud) {
    if (baud < 9600 || baud > 1000000UL) return 0;
    uint32_t made = F_CPU / 8 / (baud_divider(baud) + 1UL);
    uint32_t error = made > baud ? made - baud : baud - made;
    return error * 40 <= baud; /* 2.5 %: as far as a receiver follows */
}

/* Why these settings cannot be; 0 if they can. */
static const char *refusal(const Settings *s) {
    if (s->channels < 1 || s->channels > MAX_CHANNELS) return PSTR("channels: 1 to 6");
    if (s->rate_hz < 1 || s->rate_hz > MAX_RATE_HZ) return PSTR("rate: 1 to 2000");
    if (s->average < 1 || s->average > MAX_AVERAGE || (s->average & (s->average - 1))) return PSTR("average: 1, 2, 4, 8, 16, 32 or 64");
    if (!baud_can_be_made(s->baud)) return PSTR("baud: 9600 to 1000000, best 115200, 250000, 500000 or 1000000");
    if ((uint32_t)s->channels * s->average * CONVERSION_US > period_us(s->rate_hz))
        return PSTR("no time for so many conversions; lower rate, channels or average");
    /* The longest line: ten digits of time, the values, "*HHHH" and the newline; ten bits a byte, a fiftieth kept free. */
    uint32_t bytes = 16 + (uint32_t)s->channels * (s->average > 1 ? 8 : 5);
    if (bytes * s->rate_hz * 10 > s->baud - s->baud / 50) return PSTR("the line is too slow for that; raise baud first, or lower rate or channels");
    return 0;
}

/* ---- Sending: bytes wait in the outbox until the UART takes them ---- */

static volatile char outbox[256]; /* 256, so that 8-bit positions wrap by themselves */
static volatile uint8_t outbox_in, outbox_out;

ISR(USART_UDRE_vect) {
    if (outbox_out == outbox_in)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    else
        UDR0 = outbox[outbox_out++];
}

static void send(char c) {
    while ((uint8_t)(outbox_in + 1) == outbox_out) {
    }
    outbox[outbox_in] = c;
    outbox_in++; /* only now: the interrupt must not see it before the byte is there */
    UCSR0B |= _BV(UDRIE0);
}

static void send_text(const char *in_flash) {
    char c;
    while ((c = (char)pgm_read_byte(in_flash++))) send(c);
}

static const uint32_t TENS[] PROGMEM = {1000000000UL, 100000000UL, 10000000UL, 1000000UL, 100000UL, 10000UL, 1000UL, 100UL, 10UL};

/* Write a number's digits and return where they end. By subtraction: 32-bit division takes this chip 40 us a digit. */
static char *digits(char *to, uint32_t n) {
    uint8_t begun = 0;
    for (uint8_t i = n < 10000 ? 5 : 0; i < 9; i++) {
        uint32_t ten = pgm_read_dword(&TENS[i]);
        char digit = '0';
        while (n >= ten) {
            n -= ten;
            digit++;
        }
        if (begun || digit != '0') {
            *to++ = digit;
            begun = 1;
        }
    }
    *to++ = (char)('0' + (uint8_t)n);
    return to;
}

static void send_number(uint32_t n) {
    char text[10];
    char *end = digits(text, n);
    for (char *c = text; c < end; c++) send(*c);
}

/* ---- Sampling: the timer begins a scan, each conversion's interrupt begins the next one ---- */

typedef struct {
    uint32_t t_us;
    uint16_t sum[MAX_CHANNELS];
} Scan;

static Scan scans[SCANS];
static volatile uint8_t scans_in, scans_out; /* count on, modulo 256; a scan's place is that modulo SCANS */
static volatile uint32_t lost;
static volatile uint32_t clock_us;
static uint32_t step_us;
static volatile uint8_t scanning; /* a byte, which loop() can read in one go */
static uint16_t conversions_left;
static uint8_t channel;

static void convert(uint8_t which) {
    ADMUX = (uint8_t)(_BV(REFS0) | which); /* against the 5 V supply, which feeds the sensor too and so cancels */
    ADCSRA |= _BV(ADSC);
}

ISR(TIMER1_COMPA_vect) {
    clock_us += step_us;
    if (scanning || (uint8_t)(scans_in - scans_out) == SCANS) {
        lost++;
        return;
    }
    Scan *scan = &scans[scans_in % SCANS];
    scan->t_us = clock_us;
    for (uint8_t i = 0; i < MAX_CHANNELS; i++) scan->sum[i] = 0;
    conversions_left = (uint16_t)(settings.channels * settings.average);
    channel = 0;
    scanning = 1;
    convert(0);
}

/* Channels take turns, so that all are averaged over the same stretch of time. */
ISR(ADC_vect) {
    scans[scans_in % SCANS].sum[channel] += ADC;
    if (--conversions_left == 0) {
        scans_in++;
        scanning = 0;
        return;
    }
    if (++channel == settings.channels) channel = 0;
    convert(channel);
}

static void send_scan(const Scan *scan) {
    char line[14 + 8 * MAX_CHANNELS];
    char *end = digits(line, scan->t_us);
    for (uint8_t i = 0; i < settings.channels; i++) {
        *end++ = ',';
        end = digits(end, scan->sum[i] / settings.average);
        if (settings.average > 1) {
            /* Two decimals: averaged noise resolves more than one count. */
            uint16_t rest = scan->sum[i] % settings.average;
            uint8_t hundredths = (uint8_t)((rest * 100U + settings.average / 2) / settings.average);
            *end++ = '.';
            *end++ = (char)('0' + hundredths / 10);
            *end++ = (char)('0' + hundredths % 10);
        }
    }
    uint16_t check = 0xFFFF;
    for (char *c = line; c < end; c++) {
        check = _crc_xmodem_update(check, (uint8_t)*c);
        send(*c);
    }
    static const char NIBBLE[] = "0123456789ABCDEF";
    send('*');
    for (int8_t shift = 12; shift >= 0; shift -= 4) send(NIBBLE[(check >> shift) & 15]);
    send('\n');
}

static void describe(void) {
    cli();
    uint32_t lost_now = lost;
    sei();
    send_text(PSTR("#farend columns=t_us"));
    for (uint8_t i = 0; i < settings.channels; i++) {
        send_text(PSTR(",a"));
        send((char)('0' + i));
    }
    send_text(PSTR(" rate="));
    send_number(settings.rate_hz);
    send_text(PSTR(" unit=counts checksum=crc16 average="));
    send_number(settings.average);
    send_text(PSTR(" lost="));
    send_number(lost_now);
    send('\n');
}

/* ---- Set-up ---- */

/* Put the settings to work; the clock begins anew, as after a restart. */
static void apply(void) {
    TIMSK1 = 0;
    while (scanning || outbox_in != outbox_out) {
    }
    _delay_ms(2.5); /* two bytes may still be on their way, at 9600 baud for 2.1 ms */
    UBRR0 = baud_divider(settings.baud);

    step_us = period_us(settings.rate_hz);
    TCCR1A = 0;
    if (step_us <= 32768UL) {
        TCCR1B = _BV(WGM12) | _BV(CS11); /* 0.5 us a tick */
        OCR1A = (uint16_t)(step_us * 2 - 1);
    } else {
        TCCR1B = _BV(WGM12) | _BV(CS12); /* 16 us a tick */
        OCR1A = (uint16_t)(step_us / 16 - 1);
        step_us = (OCR1A + 1UL) * 16;
    }
    TCNT1 = 0;
    TIFR1 = _BV(OCF1A);
    clock_us = FIRST_TIME_US;
    lost = 0;
    scans_out = scans_in;
    DIDR0 = (uint8_t)(_BV(settings.channels) - 1);
    describe();
    TIMSK1 = _BV(OCIE1A);
}

static char inbox[24];
static volatile uint8_t inbox_length;
static volatile uint8_t command_ready;

ISR(USART_RX_vect) {
    char c = (char)UDR0;
    if (command_ready) return; /* the one before is not obeyed yet */
    if (c == '#') inbox_length = 0; /* a question counts even after rubbish, such as the echo of a port just opened */
    if (c == '\n' || c == '\r') {
        inbox[inbox_length < sizeof inbox ? inbox_length : sizeof inbox - 1] = 0; /* too long to be one: not understood */
        command_ready = inbox_length != 0;
        inbox_length = 0;
    } else if (inbox_length < sizeof inbox) {
        inbox[inbox_length++] = c;
    }
}

/* The number after "word ", or -1 if the command is another one or no such number follows. */
static int32_t number_after(const char *word) {
    uint8_t n = (uint8_t)strlen_P(word);
    if (strncmp_P(inbox, word, n) || inbox[n] < '0' || inbox[n] > '9') return -1;
    char *end;
    int32_t value = strtol(inbox + n, &end, 10);
    return *end == 0 && value <= 1000000L ? value : -1;
}

static void obey(void) {
    if (!strcmp_P(inbox, PSTR("#farend?"))) {
        send('\n'); /* whoever has just opened the port drops all up to the first newline; let that not be the answer */
        describe();
        return;
    }
    /* Commands begin with a letter. Our own lines, which a port echoes until it is set up, do not, and get no answer. */
    if (inbox[0] < 'a' || inbox[0] > 'z') return;
    Settings wish = settings;
    int32_t value;
    if ((value = number_after(PSTR("rate "))) >= 0)
        wish.rate_hz = value > MAX_RATE_HZ ? 0 : (uint16_t)value;
    else if ((value = number_after(PSTR("channels "))) >= 0)
        wish.channels = value > MAX_CHANNELS ? 0 : (uint8_t)value;
    else if ((value = number_after(PSTR("average "))) >= 0)
        wish.average = value > MAX_AVERAGE ? 0 : (uint8_t)value;
    else if ((value = number_after(PSTR("baud "))) >= 0)
        wish.baud = (uint32_t)value;
    else {
        send_text(PSTR("# not understood; commands: rate N, channels N, average N, baud N, #farend?\n"));
        return;
    }
    const char *why = refusal(&wish);
    if (why) {
        send_text(PSTR("# refused: "));
        send_text(why);
        send('\n');
        return;
    }
    if (wish.baud != settings.baud) send_text(PSTR("# the next line comes at the new baud\n"));
    TIMSK1 = 0;
    while (scanning) { /* a scan must end with the settings it began with */
    }
    settings = wish;
    eeprom_update_block(&settings, &kept, sizeof settings);
    apply();
}

void setup(void) {
    PORTD |= _BV(PORTD2); /* pull-up, for the way back to the factory settings */
    _delay_us(50);
    eeprom_read_block(&settings, &kept, sizeof settings);
    if (!(PIND & _BV(PIND2)) || settings.version != FACTORY.version || refusal(&settings)) settings = FACTORY;

    TIMSK0 = 0; /* the Arduino core's milliseconds are not needed and would only disturb */
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz: full 10 bits */
    ADCSRB = 0;
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8 bits, no parity, 1 stop */
    UBRR0 = baud_divider(settings.baud);
    UCSR0B = _BV(TXEN0) | _BV(RXEN0) | _BV(RXCIE0);
    sei();
    send('\n'); /* ends whatever the restart left on the line */
    apply();
}

void loop(void) {
    static uint16_t since_described;
    if (command_ready) {
        obey();
        command_ready = 0;
    }
    if (scans_in != scans_out) {
        send_scan(&scans[scans_out % SCANS]);
        scans_out++;
        if (++since_described >= DESCRIBE_S * settings.rate_hz) {
            describe();
            since_described = 0;
        }
    }
}

#ifndef ARDUINO
int main(void) {
    setup();
    for (;;) loop();
}
#endif
