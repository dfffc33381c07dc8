/* Where do the board's bytes go, and where do bytes for it come from?
 *
 * A pty has no modem lines and keeps what nobody reads, so a reader that comes late would get stale lines: while no one
 * has it open (the kernel says "hung up" to this end) bytes are thrown away, as a wire would.
 */
#define _GNU_SOURCE
#include "port.h"

#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#define LINE_MOST 1024
#define PATIENCE_MS 500 /* for a reader that has it open but does not read */

static int fd = -1;
static bool is_pty;
static char link_path[4096];
static char line[LINE_MOST];
static size_t length;
static bool lose_next, damage_next;
static port_counts counts;

static void give_up(const char *what)
{
    perror(what);
    exit(3);
}

void port_to_file(const char *path)
{
    fd = open(path, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    if (fd < 0) {
        give_up(path);
    }
}

static bool has_reader(void)
{
    struct pollfd look = {.fd = fd, .events = 0};

    poll(&look, 1, 0);
    return !(look.revents & POLLHUP);
}

void port_to_pty(const char *link)
{
    struct termios raw;
    char fresh[4104];
    int other;

    fd = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (fd < 0 || grantpt(fd) || unlockpt(fd)) {
        give_up("pty");
    }
    other = open(ptsname(fd), O_RDWR | O_NOCTTY);
    if (other < 0 || tcgetattr(other, &raw)) {
        give_up("pty");
    }
    cfmakeraw(&raw);
    tcsetattr(other, TCSANOW, &raw);
    close(other); /* from now on "hung up" means that nobody has it open */
    is_pty = true;
    snprintf(link_path, sizeof link_path, "%s", link);
    snprintf(fresh, sizeof fresh, "%s.new", link_path);
    unlink(fresh);
    if (symlink(ptsname(fd), fresh) || rename(fresh, link_path)) {
        give_up(link_path);
    }
    while (!has_reader()) {
        usleep(2000);
    }
}

static void write_all(const char *bytes, size_t size)
{
    while (size) {
        ssize_t took = is_pty && !has_reader() ? -1 : write(fd, bytes, size);

        if (took > 0) {
            bytes += took;
            size -= (size_t)took;
            continue;
        }
        struct pollfd room = {.fd = fd, .events = POLLOUT};
        if (!is_pty || !has_reader() || poll(&room, 1, PATIENCE_MS) <= 0) {
            counts.unread_bytes += size;
            return;
        }
    }
}

void port_send(char c)
{
    if (length == LINE_MOST) {
        write_all(line, length);
        length = 0;
    }
    line[length++] = c;
    counts.bytes++;
    if (c != '\n') {
        return;
    }
    counts.lines++;
    counts.comments += line[0] == '#';
    if (line[0] == '[') {
        counts.longest = length > counts.longest ? length : counts.longest;
        if (damage_next) {
            line[length / 2] ^= 1;
        }
        if (lose_next) {
            length = 0;
        }
        damage_next = lose_next = false;
    }
    write_all(line, length);
    length = 0;
}

void port_lose_line(void)
{
    lose_next = true;
}

void port_damage_line(void)
{
    damage_next = true;
}

size_t port_receive(char *into, size_t most)
{
    ssize_t came = is_pty && most ? read(fd, into, most) : 0;

    return came > 0 ? (size_t)came : 0;
}

void port_close(void)
{
    write_all(line, length);
    if (is_pty) {
        unlink(link_path);
    }
    close(fd);
}

port_counts port_told(void)
{
    return counts;
}
