/* A simulated board: runs a firmware in libsimavr, drives its analogue inputs from a trace and bridges its UART to a pty.
 *
 *     avr_board FIRMWARE.elf TRACE CHANNELS RATE
 *
 * TRACE holds little-endian doubles, millivolts, CHANNELS a row, RATE rows a second. Prints the pty's name; runs in real time until the
 * trace ends and stdin is closed.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <pty.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static avr_t *avr;
static double *trace;
static long rows, channels, rate;
static int master;

static void convert(struct avr_irq_t *irq, uint32_t value, void *param)
{
    union {
        avr_adc_mux_t mux;
        uint32_t v;
    } asked = {.v = value};
    long row = (long)((double)avr->cycle * rate / avr->frequency);
    if (row >= rows)
        row = rows - 1;
    long ch = asked.mux.src < channels ? asked.mux.src : 0;
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + asked.mux.src), (uint32_t)(trace[row * channels + ch] + 0.5));
}

static void sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    unsigned char c = value;
    if (write(master, &c, 1) < 0)
        return; /* nobody reads: a real board would not know */
}

static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + 1e-9 * t.tv_nsec;
}

int main(int argc, char **argv)
{
    channels = atol(argv[3]);
    rate = atol(argv[4]);
    FILE *file = fopen(argv[2], "rb");
    fseek(file, 0, SEEK_END);
    long size = ftell(file);
    rewind(file);
    trace = malloc(size);
    rows = fread(trace, sizeof(double), size / sizeof(double), file) / channels;

    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    elf_read_firmware(argv[1], &firmware);
    avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    avr->frequency = 16000000;
    avr_load_firmware(avr, &firmware);
    avr->vcc = avr->avcc = avr->aref = 5000;

    int slave;
    struct termios raw;
    char name[100];
    openpty(&master, &slave, name, NULL, NULL);
    tcgetattr(slave, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    fcntl(master, F_SETFL, O_NONBLOCK);

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POOL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
    avr_irq_t *input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), convert, NULL);

    printf("PORT %s\n", name);
    fflush(stdout);
    double begun = seconds();
    avr_cycle_count_t pause = 0, byte = 0;
    struct pollfd stdin_closed = {.fd = 0, .events = POLLIN};
    for (;;) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            return 1;
        if (avr->cycle >= byte) { /* a byte to the board at 115200 baud at most */
            unsigned char c;
            byte = avr->cycle + 1600;
            if (read(master, &c, 1) == 1)
                avr_raise_irq(input, c);
        }
        if (avr->cycle >= pause) { /* once a millisecond keep to real time */
            pause = avr->cycle + 16000;
            double ahead = (double)avr->cycle / avr->frequency - (seconds() - begun);
            if (ahead > 0)
                usleep((useconds_t)(ahead * 1e6));
            if (poll(&stdin_closed, 1, 0) > 0)
                return 0;
        }
    }
}
