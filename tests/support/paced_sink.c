/* The far end of the capture device: takes PCM at the pace of a sound card.
 *
 * Run by ALSA: paced_sink RATE CHANNELS BYTES_PER_SAMPLE FOLDER. Reads stdin in
 * 10 ms chunks no faster than real time and writes one WAV file a sound, named
 * by the monotonic nanosecond at which its first sample arrived. In C because
 * it must shrink its pipe before the player has filled it: a large pipe lets
 * the player run ahead and end before the sound does.
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { SMALLEST_PIPE = 4096 };

static int64_t now_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * 1000000000LL + now.tv_nsec;
}

static void put32(FILE *file, uint32_t value) { fwrite(&value, 4, 1, file); }
static void put16(FILE *file, uint16_t value) { fwrite(&value, 2, 1, file); }

static void write_wav(const char *path, int rate, int channels, int width, const char *pcm, size_t size) {
    FILE *file = fopen(path, "wb");
    if (!file) exit(1);
    fwrite("RIFF", 4, 1, file); put32(file, 36 + (uint32_t)size);
    fwrite("WAVEfmt ", 8, 1, file); put32(file, 16); put16(file, 1); put16(file, (uint16_t)channels);
    put32(file, (uint32_t)rate); put32(file, (uint32_t)(rate * channels * width));
    put16(file, (uint16_t)(channels * width)); put16(file, (uint16_t)(8 * width));
    fwrite("data", 4, 1, file); put32(file, (uint32_t)size);
    fwrite(pcm, 1, size, file);
    fclose(file);
}

int main(int count, char **words) {
    if (count != 5) return 2;
    fcntl(0, F_SETPIPE_SZ, SMALLEST_PIPE);
    int rate = atoi(words[1]), channels = atoi(words[2]), width = atoi(words[3]);
    int64_t bytes_per_s = (int64_t)rate * channels * width;
    size_t chunk = (size_t)(bytes_per_s / 100), size = 0, room = (size_t)bytes_per_s;
    char *pcm = malloc(room);
    int64_t began_ns = 0;
    ssize_t got;
    while (pcm && (got = read(0, pcm + size, chunk)) > 0) {
        if (!began_ns) {
            began_ns = now_ns();
            fcntl(0, F_SETPIPE_SZ, SMALLEST_PIPE);  /* in case it was too full before */
        }
        size += (size_t)got;
        if (size + chunk > room) pcm = realloc(pcm, room *= 2);
        int64_t ahead_ns = (int64_t)size * 1000000000LL / bytes_per_s - (now_ns() - began_ns);
        if (ahead_ns > 0) {
            struct timespec pause = {ahead_ns / 1000000000LL, ahead_ns % 1000000000LL};
            nanosleep(&pause, NULL);
        }
    }
    if (!pcm || !size) return 0;
    char part[4096], whole[4096];
    snprintf(part, sizeof part, "%s/%lld.part", words[4], (long long)began_ns);
    snprintf(whole, sizeof whole, "%s/%lld.wav", words[4], (long long)began_ns);
    write_wav(part, rate, channels, width, pcm, size);
    return rename(part, whole);
}
