// The least that a program can do with a message: one virtual input, as many virtual outputs as
// are named, and each message goes on to all of them from the callback.
//
//     g++ -O2 -o pass_through pass_through.cpp -lrtmidi    (Debian: g++, librtmidi-dev)
//     ./pass_through INPUT OUTPUT...                       until a signal ends it

#include <rtmidi/RtMidi.h>
#include <unistd.h>

#include <cstdio>
#include <memory>
#include <vector>

using Outputs = std::vector<std::unique_ptr<RtMidiOut>>;

static void pass(double, std::vector<unsigned char> *message, void *outputs) {
    for (auto &output : *static_cast<Outputs *>(outputs)) output->sendMessage(message);
}

int main(int count, char **names) {
    if (count < 3) {
        std::fprintf(stderr, "usage: pass_through INPUT OUTPUT...\n");
        return 2;
    }
    try {
        Outputs outputs;
        for (int i = 2; i < count; i++) {
            outputs.push_back(std::make_unique<RtMidiOut>(RtMidi::LINUX_ALSA, "pass-through"));
            outputs.back()->openVirtualPort(names[i]);
        }
        RtMidiIn input(RtMidi::LINUX_ALSA, "pass-through");
        input.ignoreTypes(false, false, false);
        input.setCallback(pass, &outputs);
        input.openVirtualPort(names[1]);
        pause();
    } catch (const RtMidiError &error) {
        std::fprintf(stderr, "pass_through: %s\n", error.what());
        return 1;
    }
}
