/* Where do the board's bytes go, and where do bytes for it come from? */
#ifndef PORT_H
#define PORT_H

#include <stdbool.h>
#include <stddef.h>

/* Collect what the board sends in a file.  Exits with a message when it cannot be written. */
void port_to_file(const char *path);

/* A pseudo-terminal, its name under `link`.  Returns once a reader has opened it. */
void port_to_pty(const char *link);

/* A byte the board sent: kept till its line is whole, so that a line can be lost or damaged as one. */
void port_send(char c);
void port_lose_line(void);
void port_damage_line(void);

/* Bytes for the board from the pty; 0 when none. */
size_t port_receive(char *into, size_t most);
void port_close(void);

typedef struct {
    unsigned long bytes, lines, comments, longest, unread_bytes;
} port_counts;
port_counts port_told(void);

#endif
