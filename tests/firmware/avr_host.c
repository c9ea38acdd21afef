/*
 * A board for the tests: executes the firmware with libsimavr, drives the converter's inputs from a trace and connects the UART
 * to a pseudo-terminal. Built by tests/test_firmware.py.
 *
 *     avr_host ELF TRACE CHANNELS RATE_HZ NOISE_MV SPEED FOLDER
 *
 * TRACE: float64, one row of millivolts per step; the last row stays. NOISE_MV: random noise of each conversion, one standard
 * deviation. SPEED: 1 real time, 0 as fast as it goes, with the trace's length as the end. FOLDER takes two files:
 * conversions.txt (time_s channel millivolt) and sent.txt (what the UART sent). SIGUSR1 presses the reset button, SIGUSR2
 * connects D2 to GND from the next reset on, SIGTERM ends. On stdout: "port PATH" at the start, "dropped N" at the end: bytes that an open port did not
 * take. What is sent while the port is closed goes nowhere.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define CLOCK_HZ 16000000.0

static volatile sig_atomic_t stop, reset, d2_low;
static double *trace;
static long rows;
static int channels, master;
static double rate_hz, noise_mv;
static unsigned char waiting[1 << 16]; /* as much as Linux holds for a serial port */
static size_t first, count;
static int opened;
static long dropped;
static FILE *conversions, *sent;

static void on_signal(int number) {
    if (number == SIGUSR1) reset = 1;
    else if (number == SIGUSR2) d2_low = 1;
    else stop = 1;
}

static void quiet(avr_t *avr, const int level, const char *format, va_list args) {
    (void)avr;
    if (level <= LOG_ERROR) vfprintf(stderr, format, args);
}

static double gaussian(void) {
    double u = (rand() + 1.0) / (RAND_MAX + 2.0), v = rand() / (double)RAND_MAX;
    return sqrt(-2.0 * log(u)) * cos(2.0 * M_PI * v);
}

static void on_conversion(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    avr_t *avr = param;
    union {
        avr_adc_mux_t mux;
        uint32_t value;
    } asked = {.value = value};
    int channel = (int)asked.mux.src;
    double t = avr->cycle / CLOCK_HZ;
    long row = (long)(t * rate_hz);
    if (row >= rows) row = rows - 1;
    double mv = channel < channels ? trace[row * channels + channel] + noise_mv * gaussian() : 0.0;
    mv = mv < 0.0 ? 0.0 : floor(mv + 0.5); /* the simulator takes whole millivolts */
    fprintf(conversions, "%.7f %d %.0f\n", t, channel, mv);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + channel), (uint32_t)mv);
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    (void)param;
    fputc((int)value, sent);
    if (!opened) return;
    if (count == sizeof waiting) {
        dropped++; /* a serial line does not wait either */
        return;
    }
    waiting[(first + count++) % sizeof waiting] = (unsigned char)value;
}

/* Hand over what waits, as far as there is room; to nobody while the port is closed. */
static void deliver(void) {
    struct pollfd end = {.fd = master, .events = POLLIN | POLLOUT};
    opened = poll(&end, 1, 0) >= 0 && !(end.revents & POLLHUP);
    if (!opened) count = 0;
    while (count) {
        size_t run = first + count > sizeof waiting ? sizeof waiting - first : count;
        ssize_t taken = write(master, waiting + first, run);
        if (taken <= 0) return;
        first = (first + (size_t)taken) % sizeof waiting;
        count -= (size_t)taken;
    }
}

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec * 1e-9;
}

static FILE *file_in(const char *folder, const char *name) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *f = fopen(path, "w");
    if (!f) {
        perror(path);
        exit(1);
    }
    return f;
}

int main(int argc, char **argv) {
    if (argc != 8) {
        fprintf(stderr, "avr_host ELF TRACE CHANNELS RATE_HZ NOISE_MV SPEED FOLDER\n");
        return 2;
    }
    channels = atoi(argv[3]);
    rate_hz = atof(argv[4]);
    noise_mv = atof(argv[5]);
    double speed = atof(argv[6]);
    conversions = file_in(argv[7], "conversions.txt");
    sent = file_in(argv[7], "sent.txt");

    FILE *f = fopen(argv[2], "rb");
    if (!f) {
        perror(argv[2]);
        return 1;
    }
    fseek(f, 0, SEEK_END);
    rows = ftell(f) / (long)(sizeof(double) * channels);
    rewind(f);
    trace = malloc(sizeof(double) * channels * rows);
    if (rows < 1 || fread(trace, sizeof(double) * channels, rows, f) != (size_t)rows) {
        fprintf(stderr, "%s: no trace\n", argv[2]);
        return 1;
    }
    fclose(f);

    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGUSR1, &action, 0);
    sigaction(SIGUSR2, &action, 0);
    sigaction(SIGTERM, &action, 0);

    avr_global_logger_set(quiet);
    elf_firmware_t firmware = {0};
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || elf_read_firmware(argv[1], &firmware)) {
        fprintf(stderr, "%s cannot be executed\n", argv[1]);
        return 1;
    }
    avr_init(avr);
    avr->frequency = (uint32_t)CLOCK_HZ;
    avr_load_firmware(avr, &firmware);
    avr->vcc = avr->avcc = avr->aref = 5000;

    int slave;
    struct termios raw;
    char port[128];
    memset(&raw, 0, sizeof raw);
    cfmakeraw(&raw);
    if (openpty(&master, &slave, port, &raw, 0)) {
        perror("openpty");
        return 1;
    }
    close(slave); /* so that the master tells whether somebody has the port open */
    fcntl(master, F_SETFL, O_NONBLOCK);

    uint32_t flags = 0; /* neither echo to stdout nor naps while the firmware polls */
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, avr);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_conversion, avr);
    avr_irq_t *input = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);

    printf("\nport %s\n", port);
    fflush(stdout);
    const avr_cycle_count_t slice = (avr_cycle_count_t)(CLOCK_HZ / 1000);
    avr_cycle_count_t due = slice;
    double begun = now();
    while (!stop && (speed > 0 || avr->cycle < rows / rate_hz * CLOCK_HZ)) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the firmware crashed at %.4f s\n", avr->cycle / CLOCK_HZ);
            return 1;
        }
        if (avr->cycle < due) continue;
        due += slice;
        deliver();
        unsigned char bytes[8]; /* a slice's worth at the usual speed */
        ssize_t got = read(master, bytes, sizeof bytes);
        for (ssize_t i = 0; i < got; i++) avr_raise_irq(input, bytes[i]);
        if (reset) {
            reset = 0;
            /* Only a change of level is noticed, and the reset clears the pin: let the pull-up be one. */
            avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2), 0);
            avr_reset(avr);
            avr_ioport_external_t ground = {.name = 'D', .mask = d2_low ? 1 << 2 : 0, .value = 0};
            avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('D'), &ground); /* stronger than the firmware's pull-up */
            due = avr->cycle + slice;
        }
        double early = speed > 0 ? begun + avr->cycle / CLOCK_HZ / speed - now() : 0;
        if (early > 0.5e-3) usleep((useconds_t)(early * 1e6));
    }
    fclose(conversions);
    fclose(sent);
    printf("dropped %ld\n", dropped);
    return 0;
}
