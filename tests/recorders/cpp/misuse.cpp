// What a robot's program may do wrong: `misuse MODE FOLDER ...` prints what the log must say.
#include "looptime_recorder.hpp"

#include <climits>
#include <csignal>
#include <cstdlib>
#include <dlfcn.h>
#include <limits>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <sys/wait.h>

namespace {

using looptime::Recorder;

bool no_threads;                    // the system refuses them
std::atomic<std::int64_t> step_ns{0}; // by which the clock is ahead
std::atomic<bool> frozen{false};      // the clock stands still

// Numbers that the recorder did not give; the last is another recorder's.
struct Strangers {
    explicit Strangers(Recorder& other)
        : all{0, 1, -1, 2, 4095, 70000, INT_MIN, INT_MAX, other.call("of another"), other.call("loop")} {}
    int operator[](unsigned n) const { return all[n % 10]; }
    int all[10];
};

void all_marks(Recorder& rec, int call) {
    { auto timed = rec.time(call); }
    rec.signal(call, 1);
    rec.published(call);
    rec.used(call);
}

// Strange numbers leave no row; what is nested in a call of one has its place.
int numbers(const std::string& folder) {
    Recorder rec(folder, "log"), other(folder, "other");
    const Strangers strange(other);
    const int good = rec.call("good");
    rec.loop();
    for (unsigned n = 0; n < 10; ++n) {
        all_marks(rec, strange[n]);
        auto outer = rec.time(strange[n]);
        auto inner = rec.time(good);
    }
    rec.loop();
    rec.close();
    std::printf("made 11\nignored 50\n");
    return 0;
}

// Names of every kind, and far more than the table has places for.
int names(const std::string& folder) {
    Recorder rec(folder, "log");
    rec.loop();
    const std::string odd[] = {"", "a,b", "a\"b", "line\nbreak", "line\r\nbreak", "tab\tbell\a",
                               "caf\xC3\xA9", "broken \xFF\xC3", "surrogate \xED\xA0\x80",
                               "next\xC2\x85line", "line\xE2\x80\xA8separator",
                               std::string(1000, 'x'), std::string("nul\0cut", 7)};
    for (const std::string& name : odd) {
        auto timed = rec.time(rec.call(name));
    }
    { auto timed = rec.time(rec.call(static_cast<const char*>(nullptr))); }
    rec.phase("automatic\nnow");
    for (int n = 0; n < 6000; ++n) {
        auto timed = rec.time(rec.call("made up " + std::to_string(n)));
    }
    rec.meta("note\n", std::string("one\nline\0only", 13));
    for (const std::string name : {"line\nbreak", "line break", "line\rbreak", "\n", ""}) {
        std::thread([&] {
            rec.thread(name);
            auto timed = rec.time(rec.call("a,b"));
        }).join();
    }
    rec.loop();
    rec.loop();
    rec.close();
    std::printf("made %d\nignored 0\n", 13 + 1 + 6000 + 5 + 2);
    return 0;
}

// Whatever the name, the file lies in the folder.
int places(const std::string& folder) {
    for (const std::string name : {"../out", "/tmp/out", "..", "", "a/b\\c:d", "line\nbreak", "\xFF"}) {
        Recorder rec(folder, name);
        rec.loop();
        rec.close();
        std::puts(rec.file().c_str());
    }
    Recorder longest(folder, std::string(5000, 'n'));
    std::puts(longest.file().c_str());
    return 0;
}

// Deeper than is kept: counted.
void nest(Recorder& rec, int call, int depth) {
    auto timed = rec.time(call);
    if (depth > 1) {
        nest(rec, call, depth - 1);
    }
}
int deep(const std::string& folder) {
    Recorder rec(folder, "log");
    const int call = rec.call("deep");
    rec.loop();
    nest(rec, call, 40);
    rec.loop();
    rec.close();
    std::printf("made 33\nignored 8\n");
    return 0;
}

// Marks while the thread's own objects are taken down, after close, and by many who close.
struct Late {
    Recorder* rec = nullptr;
    int call = 0;
    ~Late() {
        if (rec) {
            all_marks(*rec, call);
        }
    }
};
thread_local Late last; // made before what the recorder keeps of a thread, so taken down after it
int late(const std::string& folder) {
    static Recorder rec(folder, "log");
    const int call = rec.call("late");
    rec.loop();
    for (int n = 0; n < 5; ++n) {
        std::thread([&] {
            last.call = call;
            last.rec = &rec;
            all_marks(rec, call);
        }).join();
    }
    rec.loop();
    rec.flush();
    std::vector<std::thread> closing;
    for (int n = 0; n < 8; ++n) {
        closing.emplace_back([&] { rec.close(); });
    }
    for (auto& it : closing) {
        it.join();
    }
    all_marks(rec, call);
    rec.loop();
    rec.flush();
    rec.meta("too", "late");
    std::printf("made 41\nignored 0\n");
    return 0; // the recorder is taken down after this thread's objects
}

// A program that forks: the child leaves the parent's log alone, and the scope of the recorder.
int in_both(const std::string& folder) {
    Recorder rec(folder, "log");
    const int call = rec.call("parent");
    rec.loop();
    all_marks(rec, call);
    const pid_t child = ::fork();
    if (child == 0) {
        all_marks(rec, call);
        rec.loop();
        rec.flush();
        rec.close();
        return -1;
    }
    int state = 1;
    ::waitpid(child, &state, 0);
    rec.loop();
    rec.close();
    return state;
}
int forked(const std::string& folder) {
    const int state = in_both(folder);
    if (state < 0) {
        ::_exit(0); // for what watches the memory, which cannot after a fork
    }
    std::printf("made 5\nignored 0\n");
    return state;
}

// Forked while another thread holds the lock that new names and threads take, or does just then.
int locked(const std::string& folder) {
    Recorder rec(folder, "log");
    const int call = rec.call("call");
    rec.loop();
    std::atomic<bool> over{false};
    std::thread busy([&] {
        while (!over) {
            rec.thread("busy");
        }
    });
    int failed = 0;
    for (int n = 0; n < 60; ++n) {
        const pid_t child = ::fork();
        if (child == 0) {
            ::alarm(60); // ends a child that waits
            rec.meta("of the", "child");
            rec.call("of the child " + std::to_string(n));
            rec.phase("of the child");
            std::thread([&] { all_marks(rec, call); }).join();
            rec.close();
            ::_exit(0);
        }
        int state = 1;
        ::waitpid(child, &state, 0);
        failed += state != 0;
    }
    over = true;
    busy.join();
    rec.loop();
    rec.close();
    std::printf("made 1\nignored 0\n");
    return failed;
}

long peak_kib() {
    rusage use;
    ::getrusage(RUSAGE_SELF, &use);
    return use.ru_maxrss;
}
// Threads that are all there at once: beyond some they have small rings.
int crowd(const std::string& folder) {
    const long before = peak_kib();
    Recorder rec(folder, "log");
    const int call = rec.call("call");
    rec.loop();
    std::atomic<int> marked{0};
    std::vector<std::thread> threads;
    for (int n = 0; n < 400; ++n) {
        threads.emplace_back([&] {
            all_marks(rec, call);
            ++marked;
            while (marked < 400) {
                std::this_thread::sleep_for(std::chrono::milliseconds(1));
            }
        });
    }
    for (auto& it : threads) {
        it.join();
    }
    rec.loop();
    rec.close();
    std::printf("%ld\n", peak_kib() - before);
    return 0;
}

// Threads and recorders come and go where there is no file, or none any more: no memory is kept.
int churn(const std::string& folder) {
    const long before = peak_kib();
    Recorder rec("/dev/null/logs", "log");
    const int call = rec.call("call");
    for (int n = 0; n < 1000; ++n) {
        std::thread([&] {
            rec.thread("worker");
            all_marks(rec, call);
        }).join();
    }
    for (int n = 0; n < 200; ++n) {
        Recorder short_lived(folder, "log");
        short_lived.loop();
    }
    const long grown = peak_kib() - before;
    std::printf("%ld\n", grown);
    return 0;
}

int refused(const std::string& folder) {
    no_threads = true;
    Recorder rec(folder, "log", UINT32_MAX); // nor is there so much memory
    all_marks(rec, rec.call("call"));
    rec.loop();
    rec.close();
    no_threads = false;
    return 0;
}

// The writer wakes once, after loop 9; the program is gone, without an end, after loop 19.
std::atomic<bool> gated{false};
std::atomic<int> asleep{0}, let_go{0}; // how often the writer went to sleep, and was woken
std::atomic<std::int64_t> wakes_at{0}; // when it asked for that

int killed(const std::string& folder) {
    gated = true;
    frozen = true;
    Recorder rec(folder, "log");
    const int call = rec.call("call");
    for (int n = 0; n < 20; ++n) {
        rec.loop();
        { auto timed = rec.time(call); }
        if (n == 10) {
            while (asleep != 1) {
                std::this_thread::yield();
            }
            std::printf("%ld\n", static_cast<long>((wakes_at - rec.now()) / 1000000));
            let_go = 1;
            while (asleep != 2) {
                std::this_thread::yield();
            }
        }
    }
    std::fflush(stdout);
    return ::kill(::getpid(), SIGKILL);
}

// The clock steps back and ahead, between marks and within calls.
int clock_steps(const std::string& folder) {
    Recorder rec(folder, "log");
    const int outer = rec.call("outer"), inner = rec.call("inner");
    const std::int64_t steps[] = {0, -1, -3000000, 5000000000, -3600000000000, 7200000000000};
    for (unsigned n = 0; n < 600; ++n) {
        rec.loop();
        auto around = rec.time(outer);
        if (n % 7 == 3) {
            step_ns += steps[n % 6];
        }
        { auto nested = rec.time(inner); }
        rec.signal(inner, n);
    }
    rec.loop();
    rec.close();
    std::printf("made 2400\nignored 0\n");
    return 0;
}

// Everything at once from several threads, by chance, for so many rounds.
class Storm {
public:
    Storm(const std::string& folder, int rounds, unsigned seed)
        : rounds_(rounds), seed_(seed), rec_(folder, "log", 256), other_(folder, "other", 256), strange_(other_),
          good_{rec_.call("gyro.read"), rec_.call("a,b"), rec_.call("line\nbreak")} {}

    void run() {
        std::vector<std::thread> threads;
        for (unsigned t = 0; t < 4; ++t) {
            threads.emplace_back([this, t] {
                rec_.thread("worker\n" + std::to_string(t));
                play(8 * seed_ + t + 1, false);
            });
        }
        play(8 * seed_, true);
        for (auto& it : threads) {
            it.join();
        }
        rec_.close();
        std::printf("made %ld\nignored %ld\n", made_.load(), ignored_.load());
    }

private:
    void play(unsigned seed, bool loops) {
        std::uint32_t chance = seed;
        if (loops) {
            rec_.loop();
            loop_begun_ = true;
        }
        for (int n = 0; n < rounds_; ++n) {
            chance = chance * 1664525u + 1013904223u;
            one(chance >> 16, loops, 0);
        }
    }
    void one(unsigned which, bool loops, int depth) {
        static const double VALUES[] = {0, -1.5, 1e300, -1e-300, std::numeric_limits<double>::infinity(),
                                        std::numeric_limits<double>::quiet_NaN()};
        const bool wrong = which % 5 == 0;
        const int call = wrong ? strange_[which / 5] : good_[which % 3];
        (wrong ? ignored_ : made_) += which % 8 < 5;
        switch (which % 8) {
        case 0: rec_.signal(call, VALUES[which % 6]); break;
        case 1: rec_.published(call); break;
        case 2: rec_.used(call); break;
        case 3:
        case 4: {
            auto timed = rec_.time(call);
            if (depth < 20) {
                one(which / 8, loops, depth + 1);
            }
            break;
        }
        case 5:
            if (loops || loop_begun_) {
                (loops ? made_ : ignored_) += 1;
                rec_.loop();
            }
            break;
        case 6: rec_.phase(which % 16 == 6 ? nullptr : "automatic\nnow"); break;
        default:
            if (which % 512 == 7) {
                rec_.meta("note", "from\nwherever");
                rec_.flush();
                auto timed = other_.time(good_[0]); // of the first, ignored there
            }
        }
    }

    const int rounds_;
    const unsigned seed_;
    Recorder rec_, other_;
    const Strangers strange_;
    const int good_[3];
    std::atomic<long> made_{0}, ignored_{0};
    std::atomic<bool> loop_begun_{false};
};

} // namespace

// The system's own, behind these two, can be refused and moved on.
extern "C" int clock_gettime(clockid_t clock, timespec* time) {
    if (frozen) {
        *time = timespec{1000, 0};
        return 0;
    }
    const long done = ::syscall(SYS_clock_gettime, clock, time);
    const std::int64_t now = std::int64_t(time->tv_sec) * 1000000000 + time->tv_nsec + step_ns;
    time->tv_sec = static_cast<time_t>(now / 1000000000);
    time->tv_nsec = static_cast<long>(now % 1000000000);
    return static_cast<int>(done);
}
extern "C" int pthread_create(pthread_t* thread, const pthread_attr_t* how, void* (*what)(void*),
                              void* with) {
    typedef int (*Create)(pthread_t*, const pthread_attr_t*, void* (*)(void*), void*);
    static const Create create = reinterpret_cast<Create>(::dlsym(RTLD_NEXT, "pthread_create"));
    return no_threads ? EAGAIN : create(thread, how, what, with);
}

extern "C" int pthread_cond_clockwait(pthread_cond_t* what, pthread_mutex_t* mutex, clockid_t clock,
                                      const timespec* until) {
    typedef int (*Wait)(pthread_cond_t*, pthread_mutex_t*, clockid_t, const timespec*);
    static const Wait wait = reinterpret_cast<Wait>(::dlsym(RTLD_NEXT, "pthread_cond_clockwait"));
    if (!gated) {
        return wait(what, mutex, clock, until);
    }
    wakes_at = std::int64_t(until->tv_sec) * 1000000000 + until->tv_nsec;
    const int mine = ++asleep;
    ::pthread_mutex_unlock(mutex);
    while (let_go < mine) {
        std::this_thread::yield();
    }
    ::pthread_mutex_lock(mutex);
    return ETIMEDOUT;
}

int main(int, char** words) {
    const std::string mode = words[1], folder = words[2];
    if (mode == "storm") {
        Storm(folder, std::atoi(words[3]), static_cast<unsigned>(std::atoi(words[4]))).run();
        return 0;
    }
    const std::pair<const char*, int (*)(const std::string&)> modes[] = {
        {"numbers", numbers}, {"names", names},     {"places", places}, {"deep", deep},
        {"late", late},       {"forked", forked},   {"churn", churn},   {"refused", refused},
        {"clock", clock_steps}, {"killed", killed}, {"locked", locked}, {"crowd", crowd}};
    for (auto& it : modes) {
        if (mode == it.first) {
            return it.second(folder);
        }
    }
    return 2;
}
