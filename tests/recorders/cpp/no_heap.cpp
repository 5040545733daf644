// Counts what the whole program takes from the heap while a loop and a thread are being recorded.
#include "looptime_recorder.hpp"

#include <cstdlib>

static std::atomic<long> taken{0};

extern "C" void* __libc_malloc(std::size_t size); // glibc's own, behind malloc
extern "C" void* malloc(std::size_t size) {
    taken.fetch_add(1);
    return __libc_malloc(size);
}

int main(int, char** words) {
    looptime::Recorder rec(words[1], "no_heap");
    const int step = rec.call("step"), heading = rec.call("heading_deg");
    rec.call("standby");
    rec.call("operator");
    std::atomic<int> at{0};
    std::thread worker([&] {
        rec.thread("worker");
        at = 1;
        while (at != 2) {
        }
        for (int n = 0; n < 2000; ++n) {
            {
                auto timed = rec.time(step);
            }
            rec.published(step);
        }
        at = 3;
        while (at != 4) {
        }
    });
    while (at != 1) {
    }
    const long at_start = taken;
    at = 2;
    for (int n = 0; n < 4000 || at != 3; ++n) {
        rec.loop();
        rec.phase(n % 2 ? "standby" : "operator");
        {
            auto timed = rec.time(step);
        }
        rec.used(step);
        rec.signal(heading, n);
        std::this_thread::sleep_for(std::chrono::microseconds(50)); // the writer writes meanwhile
    }
    rec.flush();
    const long at_end = taken;
    at = 4;
    worker.join();
    rec.close();
    std::printf("%ld before, %ld while recording\n", at_start, at_end - at_start);
    return at_end == at_start ? 0 : 1;
}
