/* How is a board's compiled program played against a scenario?
 *
 *     host --elf bench.elf --scenario pour.csv (--out lines.txt | --pty LINK) [--speed 1] ...
 *
 * The chip is libsimavr's; the sensors, the foot and the wire around it are this program's.  --speed 0 (the default) is
 * as fast as it goes.  One JSON object about the run is printed at its end.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <simavr/avr_extint.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_elf.h>

#include "bench.h"
#include "play.h"
#include "port.h"
#include "scenario.h"
#include "signals_part.h"

#define MCU "atmega328p"
#define MCUSR_ADDRESS 0x54
#define PORF_BIT 1u
#define WDRF_BIT 8u
#define RAM_BEGIN 0x100
#define PAINT 0xC5
#define LOOK_CYCLES 1000 /* how often the world is looked at: 63 us */
#define PACE_S 0.005     /* bench time between waits for the wall clock */

typedef struct {
    const char *elf, *scenario, *out, *pty, *trace;
    double speed, until_s, noise_lsb, hum_lsb, hum_hz, bounce_s, full_psi;
    uint64_t seed;
} options;

static bench world = {.cup_c = 21.5, .junction_c = 22.0, .pot_v = 0.5, .room_c = 21.5, .rh_pct = 44.0};
static uint64_t asleep_cycles;
static unsigned resets;
static bool was_reset;
static void (*chip_reset)(avr_t *);
static volatile sig_atomic_t is_stopped;

static void on_stop(int number)
{
    (void)number;
    is_stopped = 1;
}

/* Replaces the simulator's own, which would sleep in real time. */
static void on_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    (void)avr;
    asleep_cycles += cycles + 1;
}

static void on_reset(avr_t *avr)
{
    was_reset = true;
    chip_reset(avr);
}

static void quiet(avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr;
    if (level == LOG_ERROR) {
        vfprintf(stderr, format, values);
    }
}

static void after_reset(bench *b, uint8_t cause)
{
    b->avr->data[MCUSR_ADDRESS] = cause;
    for (uint8_t pin = 0; pin < 2; pin++) { /* or the simulator looks at a low INT pin every cycle, used or not */
        avr_extint_set_strict_lvl_trig(b->avr, pin, 0);
    }
    was_reset = false;
    resets++;
    play_pins_again(b);
}

void board_reset(bench *b, uint8_t cause)
{
    avr_reset(b->avr);
    after_reset(b, cause);
}

/* Let the program run away: into the endless loop with interrupts off that every avr-libc program ends with. */
void board_hang(bench *b)
{
    static const uint8_t LOOP[4] = {0xF8, 0x94, 0xFF, 0xCF}; /* cli; rjmp .-2 */
    uint8_t *found = memmem(b->avr->flash, b->avr->flashend + 1u, LOOP, sizeof LOOP);

    if (!found) {
        fprintf(stderr, "no loop to hang in\n");
        exit(2);
    }
    b->avr->pc = (avr_flashaddr_t)(found - b->avr->flash);
    b->avr->state = cpu_Running;
}

static void load(bench *b, const char *path)
{
    elf_firmware_t firmware = {0};
    uint32_t no_flags = 0;

    avr_global_logger_set(quiet);
    if (elf_read_firmware(path, &firmware)) {
        fprintf(stderr, "%s: no program\n", path);
        exit(2);
    }
    b->avr = avr_make_mcu_by_name(MCU);
    avr_init(b->avr);
    avr_load_firmware(b->avr, &firmware);
    b->avr->frequency = (uint32_t)CLOCK_HZ;
    b->avr->sleep = on_sleep;
    chip_reset = b->avr->reset;
    b->avr->reset = on_reset;
    avr_ioctl(b->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &no_flags); /* neither echo on the console nor sleep when polled */
    memset(b->avr->data + RAM_BEGIN, PAINT, b->avr->ramend - RAM_BEGIN + 1u);
}

static void on_byte(avr_irq_t *irq, uint32_t byte, void *param)
{
    (void)irq;
    (void)param;
    port_send((char)byte);
}

static double wall_s(void)
{
    struct timespec now;

    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void wait_until(double due_s)
{
    double left_s = due_s - wall_s();

    if (left_s > 0.0) {
        struct timespec rest = {(time_t)left_s, (long)((left_s - (double)(time_t)left_s) * 1e9)};
        nanosleep(&rest, NULL);
    }
}

static void run(bench *b, const options *o)
{
    double end_s = o->until_s > 0.0 ? o->until_s : scenario_end_s(), start_s = wall_s(), paced_s = 0.0;
    uint64_t end = (uint64_t)(end_s * CLOCK_HZ), look = 0;

    while (b->avr->cycle < end && !is_stopped) {
        if (b->avr->cycle >= look) {
            double t_s = (double)b->avr->cycle / CLOCK_HZ;

            play_until(b, t_s, o->bounce_s);
            look = b->avr->cycle + LOOK_CYCLES;
            if (o->speed > 0.0 && t_s >= paced_s) {
                wait_until(start_s + t_s / o->speed);
                paced_s = t_s + PACE_S * (o->speed > 1.0 ? o->speed : 1.0);
            }
        }
        int state = avr_run(b->avr);
        if (was_reset) {
            after_reset(b, WDRF_BIT); /* the only reset that is not ours */
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the program crashed at %.3f s\n", (double)b->avr->cycle / CLOCK_HZ);
            exit(4);
        }
    }
}

/* The longest stretch of painted memory was never touched: it lies between the static data and the deepest stack. */
static unsigned untouched_ram(const avr_t *avr)
{
    unsigned most = 0, here = 0;

    for (unsigned at = RAM_BEGIN; at <= avr->ramend; at++) {
        here = avr->data[at] == PAINT ? here + 1 : 0;
        most = here > most ? here : most;
    }
    return most;
}

static void tell(const bench *b, double wall)
{
    port_counts port = port_told();
    double cycles = (double)b->avr->cycle;

    printf("{\"bench_s\":%.3f,\"wall_s\":%.3f,\"busy_pct\":%.3f,\"ram_bytes\":%u,\"resets\":%u,\"lines\":%lu,"
           "\"comments\":%lu,\"bytes\":%lu,\"longest_line\":%lu,\"unread_bytes\":%lu,\"adc_samples\":%u,"
           "\"spi_frames\":%u,\"i2c_reads\":%u}\n",
           cycles / CLOCK_HZ, wall, 100.0 * (cycles - (double)asleep_cycles) / cycles,
           b->avr->ramend - RAM_BEGIN + 1u - untouched_ram(b->avr), resets, port.lines, port.comments, port.bytes,
           port.longest, port.unread_bytes, b->adc_samples, b->spi_frames, b->i2c_reads);
}

static options read_options(int count, char **words)
{
    static const struct option LONG[] = {
        {"elf", 1, 0, 'e'}, {"scenario", 1, 0, 's'}, {"out", 1, 0, 'o'}, {"pty", 1, 0, 'p'}, {"trace", 1, 0, 't'},
        {"speed", 1, 0, 'x'}, {"until", 1, 0, 'u'}, {"noise-lsb", 1, 0, 'n'}, {"bounce-ms", 1, 0, 'b'},
        {"seed", 1, 0, 'r'}, {"hum-lsb", 1, 0, 'h'}, {"hum-hz", 1, 0, 'z'}, {"full-psi", 1, 0, 'f'},
        {0, 0, 0, 0},
    };
    options o = {.noise_lsb = 0.5, .hum_hz = 50.0, .bounce_s = 0.004, .seed = 1, .full_psi = 100.0};

    for (int c; (c = getopt_long(count, words, "", LONG, NULL)) != -1;) {
        switch (c) {
        case 'e': o.elf = optarg; break;
        case 's': o.scenario = optarg; break;
        case 'o': o.out = optarg; break;
        case 'p': o.pty = optarg; break;
        case 't': o.trace = optarg; break;
        case 'x': o.speed = atof(optarg); break;
        case 'u': o.until_s = atof(optarg); break;
        case 'n': o.noise_lsb = atof(optarg); break;
        case 'h': o.hum_lsb = atof(optarg); break;
        case 'z': o.hum_hz = atof(optarg); break;
        case 'f': o.full_psi = atof(optarg); break;
        case 'b': o.bounce_s = atof(optarg) / 1000.0; break;
        case 'r': o.seed = strtoull(optarg, NULL, 10); break;
        default: exit(2);
        }
    }
    if (!o.elf || !o.scenario || !o.out == !o.pty) {
        fprintf(stderr, "usage: host --elf FILE --scenario CSV (--out FILE | --pty LINK) [--trace FILE] [--speed X]\n"
                        "            [--until S] [--noise-lsb 0.5] [--hum-lsb 0] [--hum-hz 50] [--bounce-ms 4]\n"
                        "            [--seed 1] [--full-psi 100]\n");
        exit(2);
    }
    return o;
}

int main(int count, char **words)
{
    options o = read_options(count, words);
    double start_s;

    signal(SIGPIPE, SIG_IGN);
    signal(SIGTERM, on_stop);
    signal(SIGINT, on_stop);
    scenario_load(o.scenario);
    load(&world, o.elf);
    world.noise_lsb = o.noise_lsb;
    world.hum_lsb = o.hum_lsb;
    world.hum_hz = o.hum_hz;
    world.full_psi = o.full_psi;
    world.dice = o.seed;
    thermo_part_attach(&world);
    humid_part_attach(&world);
    analog_part_attach(&world);
    signals_part_attach(&world, o.trace);
    avr_irq_register_notify(avr_io_getirq(world.avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
    if (o.out) {
        port_to_file(o.out);
    } else {
        port_to_pty(o.pty);
    }
    board_reset(&world, PORF_BIT);
    resets = 0;
    start_s = wall_s();
    run(&world, &o);
    signals_part_end();
    port_close();
    tell(&world, wall_s() - start_s);
    return 0;
}
