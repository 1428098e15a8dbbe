// Hears what comes to one port, and says when: a line for each message, nanoseconds of the monotonic
// clock and the bytes in hex.
//
//     g++ -O2 -o listener listener.cpp -lasound    (Debian: g++, libasound2-dev)
//     ./listener NAME                              until a signal ends it
//
// It is woken before everything that is measured (sched(7)), so that its clock is read where the
// message arrives. The sequencer's own stamps would not do: its clock goes on in steps of a
// millisecond, and where a step is late, two stamps are a millisecond off.

#include <alsa/asoundlib.h>
#include <sched.h>
#include <time.h>

#include <cstdio>

int main(int count, char **names) {
    if (count != 2) {
        std::fprintf(stderr, "usage: listener NAME\n");
        return 2;
    }
    sched_param param{};
    param.sched_priority = 60;
    sched_setscheduler(0, SCHED_FIFO, &param);  // where it is refused, it is for all
    snd_seq_t *seq = nullptr;
    snd_midi_event_t *coder = nullptr;
    if (snd_seq_open(&seq, "default", SND_SEQ_OPEN_INPUT, 0) < 0 || snd_midi_event_new(1 << 16, &coder) < 0) {
        std::fprintf(stderr, "listener: no ALSA sequencer\n");
        return 1;
    }
    snd_midi_event_no_status(coder, 1);
    snd_seq_set_client_name(seq, "bench");
    snd_seq_set_client_pool_input(seq, 2000);
    snd_seq_create_simple_port(seq, names[1], SND_SEQ_PORT_CAP_WRITE | SND_SEQ_PORT_CAP_SUBS_WRITE,
                               SND_SEQ_PORT_TYPE_MIDI_GENERIC | SND_SEQ_PORT_TYPE_APPLICATION);
    setvbuf(stdout, nullptr, _IOFBF, 1 << 16);
    for (;;) {
        snd_seq_event_t *event = nullptr;
        snd_seq_event_input(seq, &event);  // -ENOSPC: some were lost, and those who count will notice
        timespec now;
        clock_gettime(CLOCK_MONOTONIC, &now);
        unsigned char bytes[1 << 10];
        const long size = event ? snd_midi_event_decode(coder, bytes, sizeof bytes, event) : 0;
        if (size > 0) {
            std::printf("%lld", now.tv_sec * 1000000000LL + now.tv_nsec);
            for (long i = 0; i < size; i++) std::printf(" %02X", bytes[i]);
            std::putchar('\n');
        }
        if (snd_seq_event_input_pending(seq, 1) == 0) std::fflush(stdout);
    }
}
