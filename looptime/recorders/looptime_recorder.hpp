/*
 * looptime recorder for C++14 and newer: one header, no dependencies.
 *
 * Copyright (c) 2026 the looptime developers. SPDX-License-Identifier: MIT-0
 * You may use, copy, change and pass on this file, also inside closed programs, without any
 * condition. It comes as it is, without warranty of any kind; nobody is liable for what it does.
 *
 *     looptime::Recorder rec("logs", "practice");          // writes logs/practice-001.csv
 *     rec.meta("robot", "tray-carrier");
 *     const int gyro_read = rec.call("gyro.read");         // once, before the loop
 *     const int heading_deg = rec.call("heading_deg");
 *     while (running) {
 *         rec.loop();                                      // first thing in every loop
 *         rec.phase(enabled ? "operator" : "standby");     // holds from the next loop on
 *         {
 *             auto timed = rec.time(gyro_read);            // ends with the braces
 *             heading = gyro.read();
 *         }
 *         rec.signal(heading_deg, heading);
 *     }
 *     rec.close();                                         // on the loop's thread
 *
 * How it works: each thread has a ring of rows that only it fills and only the writer empties, so
 * the loop takes no lock and, once a thread has made its first mark, allocates nothing. A
 * background thread turns the rows into text and appends them to the file in blocks. If it cannot
 * keep up, whole loops are left out (on other threads: whole outermost calls) and counted; the
 * sequence number shows where. A mark that makes no sense (a number that this recorder did not give,
 * an end without a begin) is left out and counted. Trouble never reaches the robot's code.
 *
 * On a microcontroller define LOOPTIME_BARE before the #include and use looptime::BoardRecorder
 * (at the end of this file): no threads, no heap, no exceptions, a clock and a sink of your own.
 */
#ifndef LOOPTIME_RECORDER_HPP
#define LOOPTIME_RECORDER_HPP

#include <atomic>
#include <cstddef>
#include <cstdint>
#include <cstring>

#if defined(__GNUC__)
#define LOOPTIME_KEEP_IT __attribute__((warn_unused_result))
#else
#define LOOPTIME_KEEP_IT
#endif

namespace looptime {

enum class Mark : std::uint8_t { Call, Published, Used, Signal };

struct Row {
    std::int64_t start; // in ticks of the clock
    union {
        std::int64_t end; // of a call
        double value;     // of a signal
    };
    std::int32_t loop;
    std::uint32_t seq;
    std::uint16_t name, phase;
    Mark mark;
};

// ---- one thread's rows ------------------------------------------------------------------------

/** A ring of rows. Only its thread adds rows, only the writer takes them: no lock is needed. */
class Lane {
public:
    /** `count` is a power of two; the memory stays the caller's. */
    Lane(Row* rows, std::uint32_t count) : rows_(rows), count_(count) {}

    bool marks_loops = false; // this thread runs the loop: its rows are kept loop by loop

    void begin(int name, int phase, std::int32_t loop, std::int64_t now) {
        const int d = depth_++;
        if (d < DEEPEST) {
            open_[d].start = now;
            open_[d].loop = loop;
            open_[d].name = static_cast<std::uint16_t>(name);
            open_[d].phase = static_cast<std::uint16_t>(phase);
        }
    }

    void end(std::int64_t now) {
        const int d = --depth_;
        if (d < 0 || d >= DEEPEST) {
            depth_ = d < 0 ? 0 : d; // an end without a begin, or nested too deep
            ignore();
        } else {
            if (Row* row = add(open_[d].name, open_[d].phase, open_[d].loop, open_[d].start, Mark::Call)) {
                row->end = now;
            }
            keep_outside_loops();
        }
    }

    void instant(int name, int phase, std::int32_t loop, std::int64_t now, Mark mark, double value) {
        if (Row* row = add(name, phase, loop, now, mark)) {
            if (mark == Mark::Signal) {
                row->value = value;
            } else {
                row->end = now;
            }
        }
        keep_outside_loops();
    }

    /** A new row, or null where the ring is full; then all rows since the last keep() are lost. */
    Row* add(int name, int phase, std::int32_t loop, std::int64_t start, Mark mark) {
        const std::uint32_t seq = seq_++;
        if (skipping_) {
            ++lost_;
            return nullptr;
        }
        if (head_ - tail_seen_ >= count_) {
            tail_seen_ = tail_.load(std::memory_order_acquire);
            if (head_ - tail_seen_ >= count_) {
                lost_ += head_ - kept_ + 1;
                head_ = kept_;
                skipping_ = true;
                return nullptr;
            }
        }
        Row* row = &rows_[head_++ & (count_ - 1)];
        row->start = start;
        row->loop = loop;
        row->seq = seq;
        row->name = static_cast<std::uint16_t>(name);
        row->phase = static_cast<std::uint16_t>(phase);
        row->mark = mark;
        return row;
    }

    /** Counts a mark that makes no sense. */
    void ignore() { ignored_.store(ignored() + 1, std::memory_order_relaxed); }

    /** Hands all rows so far to the writer: they make up whole loops. */
    void keep() {
        if (skipping_) {
            skipping_ = false;
            dropped_.store(lost_, std::memory_order_relaxed);
        }
        kept_ = head_;
        published_.store(head_, std::memory_order_release);
    }

    /** For the writer: how far it may read, the next row or null, and "I am done with that row". */
    std::uint32_t published() const { return published_.load(std::memory_order_acquire); }
    std::uint32_t dropped() const { return dropped_.load(std::memory_order_relaxed); }
    std::uint32_t ignored() const { return ignored_.load(std::memory_order_relaxed); }
    const Row* next(std::uint32_t end) const {
        const std::uint32_t tail = tail_.load(std::memory_order_relaxed);
        return tail == end ? nullptr : &rows_[tail & (count_ - 1)];
    }
    void taken() {
        tail_.store(tail_.load(std::memory_order_relaxed) + 1, std::memory_order_release);
    }

    /** Begins anew for another thread; rows that the writer may take stay. */
    void restart() {
        head_ = kept_;
        seq_ = 0;
        depth_ = 0;
        skipping_ = marks_loops = false;
    }
    /** Forgets all rows; only while nobody writes. */
    void discard() {
        restart();
        tail_seen_ = head_;
        tail_.store(head_, std::memory_order_release);
    }

private:
    static const int DEEPEST = 32; // calls nested deeper than this are not recorded
    struct Open {
        std::int64_t start;
        std::int32_t loop;
        std::uint16_t name, phase;
    };

    void keep_outside_loops() {
        if (depth_ == 0 && !marks_loops) {
            keep();
        }
    }

    Row* const rows_;
    const std::uint32_t count_;
    std::uint32_t head_ = 0, kept_ = 0, tail_seen_ = 0; // kept: rows of finished loops
    std::uint32_t seq_ = 0, lost_ = 0;
    bool skipping_ = false; // this loop did not fit: leave out all of it
    int depth_ = 0;
    std::atomic<std::uint32_t> published_{0}, dropped_{0}, ignored_{0};
    Open open_[DEEPEST];
    std::atomic<std::uint32_t> tail_{0}; // of the writer; well away from what the thread writes
};

// ---- names --------------------------------------------------------------------------------------

/**
 * Names by place in a table. It grows only at its end, so reading needs no lock. The robot's code
 * holds numbers: of recorder R, R * 65536 + place, so that those of two recorders differ.
 */
class Names {
public:
    enum { NONE, LOOP, TOO_MANY, FIRST };

    Names(const char** table, int most, std::uint64_t recorder)
        : table_(table), most_(most), base_(static_cast<std::uint32_t>(recorder % 0x7FFF + 1) << 16) {
        add("");
        add("loop");
        add("too-many-names");
    }
    const char* operator[](int place) const { return table_[place]; }
    bool full() const { return count_.load(std::memory_order_acquire) >= most_; }

    int number(int place) const { return static_cast<int>(base_ + static_cast<std::uint32_t>(place)); }
    /** The place that a number stands for; NONE for one that this recorder did not give. */
    int place(int number) const {
        const std::uint32_t at = static_cast<std::uint32_t>(number) - base_;
        const int count = count_.load(std::memory_order_relaxed);
        return at < static_cast<std::uint32_t>(count) ? static_cast<int>(at) : NONE;
    }

    int find(const char* name) const {
        const int count = count_.load(std::memory_order_acquire);
        for (int n = 0; n < count; ++n) {
            if (std::strcmp(table_[n], name) == 0) {
                return n;
            }
        }
        return -1;
    }
    /** `name` must stay where it is. */
    int add(const char* name) {
        const int n = count_.load(std::memory_order_relaxed);
        if (n >= most_) {
            return TOO_MANY;
        }
        table_[n] = name;
        count_.store(n + 1, std::memory_order_release);
        return n;
    }

private:
    const char** const table_;
    const int most_;
    const std::uint32_t base_;
    std::atomic<int> count_{0};
};

// ---- marks: what the robot's code calls ---------------------------------------------------------

/** A call being timed; it ends where this object's scope ends. */
template <class Host>
class Timed {
public:
    Timed(Host& host, Lane* lane) : host_(&host), lane_(lane) {} // no lane: nothing to end
    Timed(Timed&& other) noexcept : host_(other.host_), lane_(other.lane_) {
        other.lane_ = nullptr;
    }
    Timed(const Timed&) = delete;
    Timed& operator=(const Timed&) = delete;
    ~Timed() {
        if (lane_) {
            lane_->end(host_->now());
        }
    }

private:
    Host* host_;
    Lane* lane_;
};

/** The marks, the same on every machine. A Host gives lane(), now(), call(name) and names(). */
template <class Host>
class Marks {
public:
    /** Marks the start of a loop, and with it the end of the one before. */
    void loop() {
        const std::int64_t now = host().now();
        Lane& lane = host().lane();
        if (loop_lane_.load(std::memory_order_relaxed) != &lane) {
            Lane* nobody = nullptr;
            if (!loop_lane_.compare_exchange_strong(nobody, &lane)) {
                return lane.ignore(); // one thread has the loop: the first that marked one
            }
            lane.marks_loops = true;
        }
        const std::int32_t n = loop_.load(std::memory_order_relaxed);
        if (started_) {
            if (Row* row = lane.add(Names::LOOP, loop_phase_, n, loop_start_, Mark::Call)) {
                row->end = now;
            }
        }
        lane.keep();
        started_ = true;
        loop_start_ = now;
        loop_phase_ = wanted_phase_.load(std::memory_order_relaxed);
        phase_.store(loop_phase_, std::memory_order_relaxed);
        loop_.store(n + 1, std::memory_order_relaxed);
    }

    /** Begins a call; it ends with the scope of what this returns: `auto timed = rec.time(n);` */
    LOOPTIME_KEEP_IT Timed<Host> time(int call) {
        Lane& lane = host().lane();
        const int name = host().names().place(call);
        if (name == Names::NONE) {
            lane.ignore();
            return Timed<Host>(host(), nullptr);
        }
        lane.begin(name, phase(), number(), host().now());
        return Timed<Host>(host(), &lane);
    }

    /** Records a value, such as heading_deg, at this instant. */
    void signal(int name, double value) { instant(name, Mark::Signal, value); }

    /** In the reading thread: the reading this call took can be seen by others from now on. */
    void published(int call) { instant(call, Mark::Published, 0); }

    /** In the loop: the newest reading this call took in another thread is picked up now. */
    void used(int call) { instant(call, Mark::Used, 0); }

    /** Names the phase, such as "standby"; it holds from the next loop on. */
    void phase(const char* name) {
        const bool none = !name || !*name;
        const int wanted = none ? +Names::NONE : host().names().place(host().call(name));
        wanted_phase_.store(wanted, std::memory_order_relaxed);
        if (number() < 0) {
            phase_.store(wanted, std::memory_order_relaxed);
        }
    }

protected:
    std::atomic<Lane*> loop_lane_{nullptr}; // of the thread that marks the loops

private:
    Host& host() { return static_cast<Host&>(*this); }
    int phase() const { return phase_.load(std::memory_order_relaxed); }
    std::int32_t number() const { return loop_.load(std::memory_order_relaxed); }

    void instant(int call, Mark mark, double value) {
        const std::int64_t now = host().now();
        Lane& lane = host().lane();
        const int name = host().names().place(call);
        if (name == Names::NONE) {
            return lane.ignore();
        }
        lane.instant(name, phase(), number(), now, mark, value);
    }

    std::atomic<std::int32_t> loop_{-1}; // the current loop; -1 before the first
    std::atomic<int> phase_{0};          // of the current loop
    std::atomic<int> wanted_phase_{0};   // of the next
    int loop_phase_ = 0;
    bool started_ = false;
    std::int64_t loop_start_ = 0;
};

// ---- rows to text -------------------------------------------------------------------------------

/** Text in a block of fixed size, handed to a sink when the block is full or at flush(). */
class Text {
public:
    typedef void (*Sink)(void* where, const char* bytes, std::size_t count);

    Text(char* block, std::size_t size, Sink sink, void* where)
        : block_(block), size_(size), sink_(sink), where_(where) {}

    std::size_t left() const { return size_ - used_; }
    void flush() {
        if (used_ > 0) {
            sink_(where_, block_, used_);
            used_ = 0;
        }
    }
    void put(char c) {
        if (used_ == size_) {
            flush();
        }
        block_[used_++] = c;
    }
    void put(const char* text) {
        while (*text) {
            put(*text++);
        }
    }

    /** value / 10^places, by hand: printf needs the heap on some boards and obeys the locale. */
    void number(std::int64_t value, int places = 0) {
        char digits[24];
        int n = 0;
        std::uint64_t rest = static_cast<std::uint64_t>(value);
        rest = value < 0 ? 0 - rest : rest;
        do {
            if (places > 0 && n == places) {
                digits[n++] = '.';
                places = -1;
            }
            digits[n++] = static_cast<char>('0' + rest % 10);
            rest /= 10;
        } while (rest > 0 || n <= places);
        if (value < 0) {
            put('-');
        }
        while (n > 0) {
            put(digits[--n]);
        }
    }

    /** Up to six places, 123.4 or 1.234e-07; nothing for what is not a number. */
    void value(double v) {
        const double size = v < 0 ? -v : v;
        if (!(size <= 1.7e308)) {
            return;
        }
        int power = 0;
        if (size != 0 && (size < 1e-3 || size > 1e12)) {
            for (; v > -1 && v < 1; --power) {
                v *= 10;
            }
            for (; v <= -10 || v >= 10; ++power) {
                v /= 10;
            }
        }
        std::int64_t scaled = static_cast<std::int64_t>(v * 1e6 + (v < 0 ? -0.5 : 0.5));
        int places = 6;
        while (places > 0 && scaled % 10 == 0) {
            scaled /= 10;
            --places;
        }
        number(scaled, places);
        if (power != 0) {
            put('e');
            number(power);
        }
    }

    /** A field of a table on one line, quoted where it must be. */
    void field(const char* text) {
        if (!std::strpbrk(text, ",\"")) {
            line_of(text);
            return;
        }
        put('"');
        for (; *text; ++text) {
            if (*text == '"') {
                put('"');
            }
            put(printable(*text));
        }
        put('"');
    }

    /** A line `# key: value`. */
    void remark(const char* key, const char* value) {
        put("# ");
        line_of(key && *key ? key : "note");
        put(": ");
        line_of(value);
        put('\n');
    }
    void count(const char* key, std::int64_t value) {
        put("# ");
        put(key);
        put(": ");
        number(value);
        put('\n');
    }
    /** What is not in the rows: rows lost, and marks that made no sense. */
    void told(std::int64_t dropped, std::int64_t ignored) {
        count("dropped", dropped);
        if (ignored > 0) {
            count("ignored", ignored);
        }
    }

private:
    static char printable(char c) { return static_cast<unsigned char>(c) < ' ' || c == 127 ? ' ' : c; }
    void line_of(const char* text) {
        for (; text && *text; ++text) {
            put(printable(*text));
        }
    }

    char* const block_;
    const std::size_t size_;
    std::size_t used_ = 0;
    const Sink sink_;
    void* const where_;
};

/** Ticks as they are written: in nanoseconds, or in whole microseconds if the clock is coarser. */
struct Scale {
    std::uint32_t ticks_per_second;
    std::int64_t origin; // ticks at the recorder's start

    int places() const { return ticks_per_second > 1000000u ? 3 : 0; }
    std::int64_t written(std::int64_t ticks) const {
        const std::int64_t rate = ticks_per_second, unit = places() ? 1000000000 : 1000000;
        const std::int64_t since = ticks - origin;
        return since / rate * unit + since % rate * unit / rate; // in two parts: no overflow
    }
};

inline void head_lines(Text& text, std::int64_t row_cost_ns) {
    text.count("row_cost_ns", row_cost_ns);
    text.count("dropped", 0);
    text.put("loop,thread,seq,name,start_us,duration_us,phase,mark,value\n");
}

inline void print_row(Text& text, const Row& row, const Names& names, const char* thread,
                      const Scale& scale) {
    static const char* const MARKS[] = {"", "published", "used", "signal"};
    const std::int64_t start = scale.written(row.start);
    text.number(row.loop);
    text.put(',');
    text.field(thread);
    text.put(',');
    text.number(row.seq);
    text.put(',');
    text.field(names[row.name]);
    text.put(',');
    text.number(start, scale.places());
    text.put(',');
    text.number(row.mark == Mark::Call ? scale.written(row.end) - start : 0, scale.places());
    text.put(',');
    text.field(names[row.phase]);
    text.put(',');
    text.put(MARKS[static_cast<int>(row.mark)]);
    text.put(',');
    if (row.mark == Mark::Signal) {
        text.value(row.value);
    }
    text.put('\n');
}

/** What a timed call costs here (two stamps and a row), in ticks per `calls` calls: the median of
 *  nine tries. The lane must not be in use yet. */
template <class Host>
std::int64_t ticks_for_calls(Host& host, Lane& lane, int calls) {
    std::int64_t tries[9];
    for (int t = 0; t < 9; ++t) {
        const std::int64_t start = host.now();
        for (int i = 0; i < calls; ++i) {
            auto timed = host.time(host.names().number(Names::LOOP));
        }
        const std::int64_t took = host.now() - start;
        lane.discard();
        int at = t;
        for (; at > 0 && tries[at - 1] > took; --at) {
            tries[at] = tries[at - 1];
        }
        tries[at] = took;
    }
    return tries[4];
}

} // namespace looptime

// ---- boards with an operating system: threads and files -----------------------------------------
#ifndef LOOPTIME_BARE

#include <cerrno>
#include <chrono>
#include <condition_variable>
#include <cstdio>
#include <ctime>
#include <memory>
#include <mutex>
#include <string>
#include <system_error>
#include <thread>
#include <unordered_map>
#include <vector>
#if defined(__unix__) || defined(__APPLE__)
#include <sched.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>
#elif defined(_WIN32)
#include <direct.h>
#endif

namespace looptime {

/** Records calls of any thread into a new file `folder/name-001.csv` (the next free number). */
class Recorder : public Marks<Recorder> {
public:
    /** `rows`: ring of each thread (a power of two up to 2^20, else the next), 32 bytes a row. */
    Recorder(const std::string& folder, const std::string& name, std::uint32_t rows = 1u << 14)
        : number_(next_number()), names_(table_, MOST_NAMES, number_), block_(new char[BLOCK_BYTES]),
          text_(block_.get(), BLOCK_BYTES, &Recorder::write_block, this) {
        while (rows_ < rows && rows_ < MOST_ROWS) {
            rows_ *= 2;
        }
        Lane& mine = lane();
        const int calls = static_cast<int>(rows_ < 1000 ? rows_ : 1000);
        const std::int64_t cost = ticks_for_calls(*this, mine, calls) / calls;
        scale_ = {1000000000u, now()};
        open(folder.empty() ? "." : folder, file_name(name), cost);
        if (file_) {
            start_writer();
        }
        idle_.store(!file_, std::memory_order_release);
    }
    ~Recorder() { close(); }
    Recorder(const Recorder&) = delete;
    Recorder& operator=(const Recorder&) = delete;

    /** The number by which a call or signal of this name is marked; ask once, not in each loop. */
    int call(const std::string& name) { return call(name.c_str()); }
    int call(const char* name) {
        const char* const wanted = name && *name ? name : "unnamed";
        const int known = names_.find(wanted);
        if (known >= 0 || names_.full() || in_a_fork()) {
            return names_.number(known >= 0 ? known : +Names::TOO_MANY);
        }
        std::unique_ptr<std::string> text(new std::string(clipped(wanted)));
        if (text->empty()) {
            *text = "unnamed";
        }
        std::lock_guard<std::mutex> lock(book_);
        const int added = names_.find(text->c_str()); // by another thread, just now
        if (added >= 0) {
            return names_.number(added);
        }
        kept_names_.push_back(std::move(text));
        return names_.number(names_.add(kept_names_.back()->c_str()));
    }

    /** Names this thread in the log and makes its ring now instead of at its first mark. */
    void thread(const std::string& name) { find_lane(name.c_str()); }

    /** Adds a line `# key: value` to the log. */
    void meta(const std::string& key, const std::string& value) {
        if (in_a_fork()) {
            return;
        }
        std::lock_guard<std::mutex> lock(book_);
        remarks_.emplace_back(clipped(key), clipped(value));
    }

    /** The file being written; empty if there is none. */
    const std::string& file() const { return path_; }

    /** Writes what is finished so far; not for the loop's path. */
    void flush() {
        if (in_a_fork()) {
            return;
        }
        std::lock_guard<std::mutex> lock(writing_);
        drain(true);
    }

    /** Ends the recording; from the loop's thread, so that the rows of its last loop are kept. */
    void close() {
        if (in_a_fork()) { // the file and its writer are the parent's
            static Writer* parents; // cannot be taken down here: its thread never ends
            parents = writer_.release();
            static_cast<void>(parents);
            return;
        }
        if (Lane* mine = known_lane()) {
            mine->keep();
        }
        {
            std::lock_guard<std::mutex> lock(stopping_);
            closed_ = true;
        }
        writer_->stop.notify_all();
        std::lock_guard<std::mutex> closing(closing_);
        if (writer_->thread.joinable()) {
            writer_->thread.join();
        }
        std::lock_guard<std::mutex> lock(writing_);
        if (file_) {
            drain(false);
            tell();
            text_.flush();
            sync();
        }
        if (file_) {
            std::fclose(file_);
            file_ = nullptr;
        }
        idle_.store(true, std::memory_order_release);
    }

    std::int64_t now() const {
        using namespace std::chrono;
        return duration_cast<nanoseconds>(steady_clock::now().time_since_epoch()).count();
    }
    Lane& lane() {
        const Mine& mine = this_thread();
        return mine.recorder == number_ ? *mine.lane : find_lane(nullptr);
    }
    const Names& names() const { return names_; }

private:
    static const int MOST_NAMES = 4096;
    static const std::uint32_t MOST_ROWS = 1u << 20; // also of all rings at once: threads beyond
    static const std::uint32_t FEW_ROWS = 64;        // them have small ones
    static const std::size_t BLOCK_BYTES = 1 << 16;
    static const std::size_t LONGEST_TEXT = 400, LONGEST_FILE_NAME = 120;
    static const std::size_t LONGEST_ROW = 6 * LONGEST_TEXT + 200; // three texts, each letter quoted
    static const int SYNC_EVERY = 10; // blocks until the disk itself is told to write

    enum State { IN_USE, ENDED, FREE };
    struct ThreadLane {
        explicit ThreadLane(std::uint32_t count)
            : rows(new Row[count]()), lane(rows.get(), count) {} // zeroed: its pages are there
        std::string name;
        std::thread::id thread;
        std::unique_ptr<Row[]> rows;
        Lane lane;
        std::atomic<int> state{IN_USE};
    };
    struct Mine {
        std::uint64_t recorder;
        Lane* lane;
    };
    /** Tells the recorders, when a thread ends, that its rings may go to another thread. */
    struct Farewell {
        std::vector<std::shared_ptr<ThreadLane>> lanes;
        ~Farewell() {
            leaving() = true;
            this_thread() = Mine{0, nullptr};
            for (auto& it : lanes) {
                it->lane.keep();
                it->state.store(ENDED, std::memory_order_release);
            }
        }
    };

    static Mine& this_thread() {
        static thread_local Mine mine = {0, nullptr};
        return mine;
    }
    static std::uint64_t next_number() {
        static std::atomic<std::uint64_t> last{0};
        return ++last;
    }
    /** Whether this thread's objects have been taken down already: a late mark is still one. */
    static bool& leaving() {
        static thread_local bool is = false;
        return is;
    }

    /** Bytes of the letter that begins here in UTF-8 (RFC 3629); 0 where none does. */
    static std::size_t letter(const std::string& text, std::size_t at) {
        const auto byte = [&](std::size_t n) {
            return at + n < text.size() ? static_cast<unsigned char>(text[at + n]) : 0u;
        };
        const unsigned first = byte(0), second = byte(1);
        const std::size_t count = first < 0x80 ? 1 : first < 0xC2 ? 0 : first < 0xE0 ? 2
                                : first < 0xF0 ? 3 : first < 0xF5 ? 4 : 0;
        for (std::size_t n = 1; n < count; ++n) {
            if ((byte(n) & 0xC0) != 0x80) {
                return 0;
            }
        }
        const bool overlong = (first == 0xE0 && second < 0xA0) || (first == 0xF0 && second < 0x90);
        const bool no_letter = (first == 0xED && second > 0x9F) || (first == 0xF4 && second > 0x8F);
        return overlong || no_letter ? 0 : count;
    }
    /** The text as it is written: not too long, on one line, no space around it, in UTF-8. */
    static std::string clipped(const std::string& text) {
        std::string clean;
        for (std::size_t at = 0; at < text.size();) {
            const std::size_t count = letter(text, at);
            const unsigned first = static_cast<unsigned char>(text[at]);
            const unsigned second = count > 1 ? static_cast<unsigned char>(text[at + 1]) : 0u;
            const unsigned third = count > 2 ? static_cast<unsigned char>(text[at + 2]) : 0u;
            const bool control = first < 0x20 || first == 0x7F || (first == 0xC2 && second < 0xA0);
            const bool line_end = first == 0xE2 && second == 0x80 && (third & 0xFE) == 0xA8;
            if (clean.size() + count > LONGEST_TEXT) {
                break;
            }
            if (count == 0) {
                clean += '?';
            } else if (!control && !line_end && first != ' ') {
                clean.append(text, at, count);
            } else if (!clean.empty()) {
                clean += ' ';
            }
            at += count > 0 ? count : 1;
        }
        return clean.substr(0, clean.find_last_not_of(' ') + 1);
    }
    /** A name for the file, in the folder and nowhere else. */
    static std::string file_name(const std::string& wanted) {
        std::string name = clipped(wanted);
        for (char& c : name) {
            c = std::strchr("/\\:*?\"<>|", c) ? '-' : c;
        }
        std::size_t end = name.size() < LONGEST_FILE_NAME ? name.size() : LONGEST_FILE_NAME;
        while (end < name.size() && (static_cast<unsigned char>(name[end]) & 0xC0) == 0x80) {
            --end; // not within a letter
        }
        return end > 0 ? name.substr(0, end) : "log";
    }

    /** Whether this is a child of the program that records: in it nobody writes, and a lock that
     *  another thread held when it was born is held for ever. */
    bool in_a_fork() const {
#if defined(__unix__) || defined(__APPLE__)
        return ::getpid() != process_;
#else
        return false;
#endif
    }

    std::shared_ptr<ThreadLane> known_lane_of(std::thread::id thread) {
        for (auto& it : lanes_) {
            if (it->state.load(std::memory_order_acquire) == IN_USE && it->thread == thread) {
                return it;
            }
        }
        return nullptr;
    }
    /** This thread's ring, or null if it has none. */
    Lane* known_lane() {
        std::lock_guard<std::mutex> lock(book_);
        const std::shared_ptr<ThreadLane> mine = known_lane_of(std::this_thread::get_id());
        return mine ? &mine->lane : nullptr;
    }
    /** A ring of a thread that has ended, or a new one; a small one where nobody writes. */
    std::shared_ptr<ThreadLane> unused_lane() {
        const bool idle = idle_.load(std::memory_order_acquire);
        for (auto& it : lanes_) {
            const int state = it->state.load(std::memory_order_acquire);
            if (state == FREE || (idle && state == ENDED)) {
                it->lane.restart();
                return it;
            }
        }
        const bool all = held_ == 0 || held_ + rows_ <= MOST_ROWS;
        const std::uint32_t rows = idle ? 2 : all || rows_ < FEW_ROWS ? rows_ : FEW_ROWS;
        lanes_.push_back(std::make_shared<ThreadLane>(rows));
        held_ += rows;
        return lanes_.back();
    }
    /** Where marks of this thread go of which nothing is kept; it may outlive all recorders. */
    static Lane& nowhere() {
        static thread_local ThreadLane* lane = nullptr;
        lane = lane ? lane : new ThreadLane(2);
        return lane->lane;
    }
    /** This thread's ring: an old one of its own, one of a thread that has ended, or a new one. */
    Lane& find_lane(const char* name) {
        if (in_a_fork()) {
            return nowhere();
        }
        static thread_local Farewell farewell;
        std::lock_guard<std::mutex> lock(book_);
        std::shared_ptr<ThreadLane> mine = known_lane_of(std::this_thread::get_id());
        if (!mine) {
            mine = unused_lane();
            ++threads_;
            mine->name = free_name(name ? name : "");
            mine->thread = std::this_thread::get_id();
            mine->state.store(IN_USE, std::memory_order_release);
            if (!leaving()) {
                forget_closed(farewell.lanes);
                farewell.lanes.push_back(mine);
            }
        }
        if (!leaving()) {
            this_thread() = Mine{number_, &mine->lane};
        }
        return mine->lane;
    }
    /** Rings whose recorder is gone. */
    static void forget_closed(std::vector<std::shared_ptr<ThreadLane>>& lanes) {
        for (std::size_t n = lanes.size(); n-- > 0;) {
            if (lanes[n].use_count() == 1) {
                lanes.erase(lanes.begin() + static_cast<std::ptrdiff_t>(n));
            }
        }
    }

    std::string free_name(const std::string& wanted) {
        std::string plain = clipped(wanted);
        if (plain.empty()) {
            plain = threads_ == 1 ? "main" : "thread-" + std::to_string(threads_);
        }
        std::string name = plain;
        while (!thread_names_.emplace(name, 1).second) {
            name = plain + "#" + std::to_string(++thread_names_[plain]);
        }
        return name;
    }

    void open(const std::string& folder, const std::string& name, std::int64_t cost) {
#if defined(_WIN32)
        _mkdir(folder.c_str());
#else
        for (std::size_t at = 0; at != std::string::npos;) {
            at = folder.find('/', at + 1);
            ::mkdir(folder.substr(0, at).c_str(), 0777); // fails where it is there already: fine
        }
#endif
        for (int n = 1; !file_; ++n) {
            char number[24];
            std::snprintf(number, sizeof number, "-%03d.csv", n);
            path_ = folder + "/" + name + number;
            file_ = std::fopen(path_.c_str(), "wbx"); // x: never an old file
            if (!file_ && errno != EEXIST) {
                return give_up();
            }
        }
        std::setvbuf(file_, nullptr, _IONBF, 0); // our own blocks are whole
        char time[32] = "";
        const std::time_t seconds = std::time(nullptr);
        std::strftime(time, sizeof time, "%Y-%m-%dT%H:%M:%SZ", std::gmtime(&seconds));
        text_.remark("looptime-recorder", "cpp 1");
        text_.remark("clock", "monotonic");
        text_.remark("time", time);
        head_lines(text_, cost);
        text_.flush();
    }

    void give_up() {
        std::fprintf(stderr, "looptime recorder: no log from here on: %s: %s\n", path_.c_str(),
                     std::strerror(errno));
        if (file_) {
            std::fclose(file_);
        }
        file_ = nullptr;
        path_.clear();
    }

    void start_writer() {
#if defined(__cpp_exceptions) || defined(_CPPUNWIND)
        try {
            writer_->thread = std::thread(&Recorder::write_on, this);
        } catch (const std::system_error& problem) {
            errno = problem.code().value();
            give_up();
        }
#else
        writer_->thread = std::thread(&Recorder::write_on, this);
#endif
    }

    void write_on() {
#if defined(__linux__)
        const sched_param ordinary = {}; // not at the loop's priority, should it have a special one
        ::sched_setscheduler(0, SCHED_OTHER, &ordinary);
        ::setpriority(PRIO_PROCESS, 0, 10); // on Linux: of this thread only
#endif
        const std::chrono::milliseconds every(100); // a killed program loses at most this much
        std::unique_lock<std::mutex> lock(stopping_);
        for (int n = 1; !closed_; ++n) {
            writer_->stop.wait_for(lock, every);
            lock.unlock();
            {
                std::lock_guard<std::mutex> writing(writing_);
                drain(n % SYNC_EVERY == 0);
            }
            lock.lock();
        }
    }

    /** Writes the rows of all threads; holds no lock that a mark could need. */
    void drain(bool and_sync) {
        if (idle_.load(std::memory_order_acquire)) {
            return;
        }
        std::vector<std::pair<std::string, std::string>> remarks;
        {
            std::lock_guard<std::mutex> lock(book_);
            remarks.swap(remarks_);
        }
        for (auto& it : remarks) {
            make_room();
            text_.remark(it.first.c_str(), it.second.c_str());
        }
        std::int64_t dropped = 0, ignored = 0;
        for (std::size_t i = 0;; ++i) {
            std::shared_ptr<ThreadLane> it;
            {
                std::lock_guard<std::mutex> lock(book_);
                if (i == lanes_.size()) {
                    break;
                }
                it = lanes_[i];
            }
            drain_lane(*it);
            dropped += it->lane.dropped();
            ignored += it->lane.ignored();
        }
        if (dropped != dropped_ || ignored != ignored_) {
            dropped_ = dropped;
            ignored_ = ignored;
            tell();
        }
        text_.flush();
        if (and_sync) {
            sync();
        }
    }
    void tell() {
        make_room();
        text_.told(dropped_, ignored_);
    }

    void drain_lane(ThreadLane& it) {
        const bool ended = it.state.load(std::memory_order_acquire) == ENDED;
        const std::uint32_t end = it.lane.published();
        while (const Row* row = it.lane.next(end)) {
            make_room();
            print_row(text_, *row, names_, it.name.c_str(), scale_);
            it.lane.taken();
        }
        if (ended) {
            Lane* same = &it.lane;
            loop_lane_.compare_exchange_strong(same, nullptr);
            it.state.store(FREE, std::memory_order_release);
        }
    }

    /** A block ends with a whole row, so a file that is cut is readable up to the last block. */
    void make_room() {
        if (text_.left() < LONGEST_ROW) {
            text_.flush();
        }
    }
    static void write_block(void* self, const char* bytes, std::size_t count) {
        Recorder& rec = *static_cast<Recorder*>(self);
        const long start = rec.file_ ? std::ftell(rec.file_) : 0;
        if (rec.file_ && std::fwrite(bytes, 1, count, rec.file_) != count) {
            const int why = errno;
#if defined(__unix__) || defined(__APPLE__)
            const int cut = ::ftruncate(::fileno(rec.file_), start); // a full disk takes no part of a row
            static_cast<void>(cut);
#endif
            errno = why;
            rec.give_up();
        }
    }
    void sync() {
#if defined(__unix__) || defined(__APPLE__)
        if (file_) {
            ::fsync(::fileno(file_));
        }
#endif
    }

    const std::uint64_t number_; // of this recorder in the program
    std::uint32_t rows_ = 2;
    Scale scale_ = {1000000000u, 0};
    const char* table_[MOST_NAMES];
    Names names_;

    std::mutex book_; // guards the next six; taken at start, by new threads and by the writer
    std::vector<std::unique_ptr<std::string>> kept_names_;
    std::vector<std::shared_ptr<ThreadLane>> lanes_;
    std::unordered_map<std::string, int> thread_names_; // and the last number given to one
    int threads_ = 0;
    std::uint64_t held_ = 0; // rows of all rings
    std::vector<std::pair<std::string, std::string>> remarks_;

    std::mutex writing_; // guards the file
    std::unique_ptr<char[]> block_;
    Text text_;
    std::FILE* file_ = nullptr;
    std::string path_;
    std::int64_t dropped_ = 0, ignored_ = 0; // as last written

    std::mutex stopping_;
    bool closed_ = false;
    struct Writer {
        std::condition_variable stop;
        std::thread thread;
    };
    std::unique_ptr<Writer> writer_{new Writer};
    std::mutex closing_;           // one thread closes
    std::atomic<bool> idle_{false}; // there is no writer: no file, or closed
#if defined(__unix__) || defined(__APPLE__)
    const pid_t process_ = ::getpid();
#endif
};

} // namespace looptime

#endif // LOOPTIME_BARE

// ---- boards without an operating system -----------------------------------------------------------

namespace looptime {

/** What a board gives the recorder. */
struct Board {
    std::uint32_t (*ticks)();       // a counter that runs freely and may wrap
    std::uint32_t ticks_per_second; // 1000000 for microseconds
    int counter_bits;               // after how many bits it wraps: 16, 24, 30, 32 ...
    void (*write)(const char* bytes, std::size_t count); // to a card, a serial line, memory
};

inline std::uint32_t next_board() {
    static std::uint32_t last = 0;
    return ++last;
}

/**
 * Records one thread into memory that is part of this object, and writes when asked:
 *
 *     static looptime::BoardRecorder<256> rec({read_ticks, 1000000, 32, write_bytes});
 *     rec.start();                  // before the loop: writes the header
 *     ... rec.loop(), rec.time(), rec.signal() as above ...
 *     rec.flush();                  // where the loop has time to spare
 *     rec.close();
 *
 * `Rows` is a power of two; a row takes 32 bytes. A mark is due at least once in nine tenths of the
 * time in which the counter runs round, or time is lost. flush() may run in another task or core than the marks.
 */
template <std::uint32_t Rows = 256, int MostNames = 64>
class BoardRecorder : public Marks<BoardRecorder<Rows, MostNames>> {
    static_assert(Rows >= 2 && (Rows & (Rows - 1)) == 0, "Rows must be a power of two");
    static_assert(MostNames > Names::FIRST && MostNames <= 65536, "from 4 to 65536 names");

public:
    explicit BoardRecorder(const Board& board)
        : board_(board), rate_(board.ticks_per_second > 0 ? board.ticks_per_second : 1000000u),
          mask_(board.counter_bits < 1 || board.counter_bits > 31 ? 0xFFFFFFFFu
                                                                  : (1u << board.counter_bits) - 1u),
          names_(table_, MostNames, next_board()), lane_(rows_, Rows),
          text_(block_, sizeof block_, &BoardRecorder::write_block, this) {}
    BoardRecorder(const BoardRecorder&) = delete;
    BoardRecorder& operator=(const BoardRecorder&) = delete;

    /** Measures the cost of a row and writes the first lines. */
    void start() {
        last_ = board_.ticks() & mask_;
        const int calls = Rows < 64 ? static_cast<int>(Rows) : 64;
        const std::int64_t ticks = ticks_for_calls(*this, lane_, calls);
        text_.remark("looptime-recorder", "cpp 1");
        text_.remark("clock", "monotonic");
        text_.count("ticks_per_second", rate_);
        head_lines(text_, ticks * 1000000000 / calls / rate_);
        text_.flush();
        elapsed_ = 0;
    }

    /** The number by which a call or signal is marked; the text must stay where it is. */
    int call(const char* name) {
        const char* const wanted = name && *name ? name : "unnamed";
        const int known = names_.find(wanted);
        return names_.number(known >= 0 ? known : names_.add(wanted));
    }

    /** Writes a line `# key: value`; not for the loop's path. */
    void meta(const char* key, const char* value) {
        text_.remark(key, value);
        text_.flush();
    }

    /** Writes the rows of finished loops. */
    void flush() {
        const Scale scale = {rate_, 0};
        const std::uint32_t end = lane_.published();
        while (const Row* row = lane_.next(end)) {
            print_row(text_, *row, names_, "main", scale);
            lane_.taken();
        }
        text_.told(lane_.dropped(), lane_.ignored());
        text_.flush();
    }

    /** Writes all rows, also those of the loop that is not finished. */
    void close() {
        lane_.keep();
        flush();
    }

    /** Ticks since start(), carried over the counter's wraps. */
    std::int64_t now() {
        const std::uint32_t ticks = board_.ticks() & mask_;
        const std::uint32_t step = (ticks - last_) & mask_;
        if (step <= mask_ - mask_ / 16) { // else: a little step back, as some counters make
            elapsed_ += step;
            last_ = ticks;
        }
        return elapsed_;
    }
    Lane& lane() { return lane_; }
    const Names& names() const { return names_; }

private:
    static void write_block(void* self, const char* bytes, std::size_t count) {
        static_cast<BoardRecorder*>(self)->board_.write(bytes, count);
    }

    const Board board_;
    const std::uint32_t rate_, mask_;
    std::uint32_t last_ = 0;
    std::int64_t elapsed_ = 0;
    const char* table_[MostNames];
    Names names_;
    Row rows_[Rows];
    Lane lane_;
    char block_[128];
    Text text_;
};

} // namespace looptime

#endif // LOOPTIME_RECORDER_HPP
