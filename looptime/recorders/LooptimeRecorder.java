/*
 * looptime recorder for Java 8 and newer: one file, no dependencies.
 *
 * Copyright (c) 2026 the looptime developers. SPDX-License-Identifier: MIT-0
 * You may use, copy, change and pass on this file, also inside closed programs, without any
 * condition. It comes as it is, without warranty of any kind; nobody is liable for what it does.
 *
 *     LooptimeRecorder rec = LooptimeRecorder.start(new File("logs"), "practice");
 *     rec.meta("robot", "tray-carrier");
 *     final int gyroRead = rec.call("gyro.read");          // once, before the loop
 *     final int headingDeg = rec.call("heading_deg");
 *     while (running) {
 *         rec.loop();                                      // first thing in every loop
 *         rec.phase(enabled ? "operator" : "standby");     // holds from the next loop on
 *         try (LooptimeRecorder.Lane timed = rec.time(gyroRead)) {
 *             heading = gyro.read();
 *         }
 *         rec.signal(headingDeg, heading);
 *     }
 *     rec.close();                                         // on the loop's thread
 *
 * How it works: each thread has a ring of rows that only it fills and only the writer empties, so
 * the loop takes no lock and, once a thread has made its first mark, allocates nothing. A
 * background thread turns the rows into text and appends them to the file in blocks. If it cannot
 * keep up, whole loops are left out (on other threads: whole outermost calls) and counted; the
 * sequence number shows where. A mark that makes no sense (a number that this recorder did not give,
 * an end without a begin) is left out and counted. Trouble never reaches the robot's code.
 */

import java.io.File;
import java.io.FileOutputStream;
import java.io.IOException;
import java.nio.charset.StandardCharsets;
import java.time.Instant;
import java.util.Arrays;
import java.util.HashMap;
import java.util.List;
import java.util.Locale;
import java.util.Map;
import java.util.Queue;
import java.util.concurrent.ConcurrentHashMap;
import java.util.concurrent.ConcurrentLinkedQueue;
import java.util.concurrent.CopyOnWriteArrayList;
import java.util.concurrent.atomic.AtomicInteger;
import java.util.concurrent.atomic.AtomicLong;

public final class LooptimeRecorder implements AutoCloseable {
    private static final int ROWS = 1 << 14;       // ring of each thread; a power of two
    private static final int DEEPEST = 64;         // calls nested deeper than this are not recorded
    private static final int BLOCK_BYTES = 1 << 16;
    private static final int MOST_ROWS = 1 << 20;
    // of all rings at once, beyond which threads have small ones: an eighth of the heap, at 32 bytes
    // a row, as a collector may lay out twice what a ring takes
    private static final int FEW_ROWS = 64;
    private static final long MOST_IN_ALL =
        Math.min(MOST_ROWS, Runtime.getRuntime().maxMemory() / 8 / 32);
    private static final int MOST_NAMES = 1 << 14;
    private static final int LONGEST_TEXT = 400, LONGEST_FILE_NAME = 80;
    private static final int WRITE_EVERY_MS = 100; // a killed program loses at most this much
    private static final int SYNC_EVERY = 10;      // blocks until the disk itself is told to write

    private static final int CALL = 0, PUBLISHED = 1, USED = 2, SIGNAL = 3;
    private static final int NONE = 0, TOO_MANY = 1; // places in the table of names
    private static final int IGNORED = -1;           // the code of a call that is not recorded
    private static final AtomicInteger RECORDERS = new AtomicInteger();
    private static final byte[][] MARKS = {
        ascii(""), ascii("published"), ascii("used"), ascii("signal")
    };
    private static final String HEADER =
        "loop,thread,seq,name,start_us,duration_us,phase,mark,value\n";

    /**
     * One thread's rows. Only that thread moves {@code head}, only the writer moves {@code tail}.
     * A row takes four words: start, end (of a signal: its value), loop and sequence number, and
     * name, phase and mark.
     */
    public final class Lane implements AutoCloseable {
        private final Thread owner = Thread.currentThread();
        private final byte[] name;
        private final long[] words;
        private final int rows;
        private final AtomicLong published = new AtomicLong(); // rows the writer may take
        private final AtomicLong tail = new AtomicLong();      // rows the writer has taken
        private final AtomicLong dropped = new AtomicLong();
        private final AtomicLong ignored = new AtomicLong();   // marks that make no sense

        private long head, kept, tailSeen, lost; // kept: rows of finished loops
        private int seq;
        private boolean skipping;                // this loop did not fit: leave out all of it

        private int depth;
        private final long[] openStart = new long[DEEPEST];
        private final int[] openLoop = new int[DEEPEST];
        private final int[] openCode = new int[DEEPEST];

        private Lane(byte[] name, int rows) {
            this.name = name;
            this.rows = rows;
            this.words = new long[4 * rows];
        }

        /** Ends the innermost call that this thread has begun. */
        @Override
        public void close() {
            long now = System.nanoTime();
            int d = --depth;
            if (d < 0) {
                depth = 0; // an end without a begin
                ignore();
                return;
            }
            if (d < DEEPEST && openCode[d] != IGNORED) {
                add(openCode[d], openLoop[d], openStart[d], now);
            } else {
                ignore();
            }
            if (d == 0 && this != loopLane) {
                keep();
            }
        }

        private void ignore() {
            ignored.lazySet(ignored.get() + 1);
        }

        private void begin(int code) {
            int d = depth++;
            if (d < DEEPEST) {
                openCode[d] = code;
                openLoop[d] = loop;
                openStart[d] = System.nanoTime();
            }
        }

        private void instant(int code, long second) {
            long now = System.nanoTime();
            add(code, loop, now, (code & 3) == SIGNAL ? second : now);
            if (depth == 0 && this != loopLane) {
                keep();
            }
        }

        private void add(int code, int inLoop, long start, long second) {
            int number = seq++;
            if (skipping) {
                lost++;
                return;
            }
            if (head - tailSeen >= rows && head - (tailSeen = tail.get()) >= rows) {
                lost += head - kept + 1;
                head = kept;
                skipping = true;
                return;
            }
            int at = ((int) head & (rows - 1)) << 2;
            words[at] = start;
            words[at + 1] = second;
            words[at + 2] = (long) inLoop << 32 | number & 0xffffffffL;
            words[at + 3] = code;
            head++;
        }

        private void keep() {
            if (skipping) {
                skipping = false;
                dropped.lazySet(lost);
            }
            kept = head;
            published.lazySet(head);
        }
    }

    private final ThreadLocal<Lane> lanes = ThreadLocal.withInitial(this::register);
    private final List<Lane> all = new CopyOnWriteArrayList<>();
    private final Map<String, Integer> threadNames = new HashMap<>(); // and the last number given
    private final Queue<String> remarks = new ConcurrentLinkedQueue<>();
    private final Map<String, Integer> ids = new ConcurrentHashMap<>();
    private volatile byte[][] names = {ascii(""), ascii("too-many-names")}; // 0 is "no phase"
    private int known = names.length; // of the names; read by whoever has been given a number
    // what the robot's code holds is base + place, so that numbers of two recorders differ
    private final int base = RECORDERS.incrementAndGet() % 0x7fff + 1 << 16;
    private final int rows;
    private final int decimals;
    private final int loopCall;
    private final long origin = System.nanoTime();

    private volatile Lane loopLane;   // of the thread that marks the loops
    private volatile int loop = -1;   // the current loop; -1 before the first
    private volatile int phase;       // already shifted into its place in a row's code
    private volatile int wantedPhase;
    private long loopStart;
    private int loopPhase;

    private final byte[] block = new byte[BLOCK_BYTES];
    private int used;
    private long written; // bytes, of whole blocks
    private long goneDropped, goneIgnored; // of threads that have ended
    private long toldDropped, toldIgnored; // as last written
    private FileOutputStream out;
    private File file;
    private Thread writer;
    private Thread hook;
    private volatile boolean closed;
    private volatile boolean idle;    // there is no writer: no file, or closed

    /** Starts a recording in a new file {@code folder/name-001.csv} (the next free number). */
    public static LooptimeRecorder start(File folder, String name) {
        return start(folder, name, ROWS, 3);
    }

    /**
     * Starts a recording with a ring of {@code rows} per thread (a power of two up to 2^20, else the
     * next) and times written with {@code decimals} (0 to 3) places after the microsecond.
     */
    public static LooptimeRecorder start(File folder, String name, int rows, int decimals) {
        LooptimeRecorder rec = new LooptimeRecorder(rows, decimals);
        try {
            rec.open(folder, name);
        } catch (IOException | RuntimeException | OutOfMemoryError e) { // the last: of threads, too
            rec.giveUp(e);
        }
        return rec;
    }

    private LooptimeRecorder(int rows, int decimals) {
        int wanted = Math.max(2, Math.min(MOST_ROWS, rows));
        this.rows = Integer.highestOneBit(wanted - 1) << 1;
        this.decimals = Math.max(0, Math.min(3, decimals));
        this.loopCall = call("loop");
    }

    // ---- marks: what the robot's code calls -------------------------------------------------

    /** Returns the number that stands for a call or signal in the marks; ask once, not per loop. */
    public int call(String name) {
        Integer id = name == null ? null : ids.get(name);
        return base + (id != null ? id : intern(name));
    }

    /** The place in the table of names that a number stands for, if this recorder gave it. */
    private int place(int number) {
        int at = number - base;
        return at > 0 && at < known ? at : NONE;
    }

    /** Marks the start of a loop, and with it the end of the one before. */
    public void loop() {
        long now = System.nanoTime();
        Lane lane = lanes.get();
        if (lane != loopLane && !claimLoop(lane)) {
            lane.ignore(); // one thread has the loop: the first that marked one
            return;
        }
        if (loop >= 0) {
            lane.add(loopCall - base << 2 | loopPhase, loop, loopStart, now);
        }
        lane.keep();
        loopStart = now;
        loopPhase = wantedPhase;
        phase = loopPhase;
        loop++;
    }

    /** Begins a call; close what it returns (try-with-resources, or {@link #end} in finally). */
    public Lane time(int call) {
        Lane lane = lanes.get();
        int name = place(call);
        lane.begin(name == NONE ? IGNORED : name << 2 | phase);
        return lane;
    }

    /** Ends the innermost call that this thread has begun. */
    public void end() {
        lanes.get().close();
    }

    /** Records a value, such as {@code heading_deg}, at this instant. */
    public void signal(int name, double value) {
        instant(name, SIGNAL, Double.doubleToRawLongBits(value));
    }

    /** In the reading thread: the reading that this call took can be seen by others from now on. */
    public void published(int call) {
        instant(call, PUBLISHED, 0);
    }

    /** In the loop: the newest reading that this call took in another thread is picked up now. */
    public void used(int call) {
        instant(call, USED, 0);
    }

    private void instant(int call, int mark, long second) {
        Lane lane = lanes.get();
        int name = place(call);
        if (name == NONE) {
            lane.ignore();
        } else {
            lane.instant(name << 2 | phase | mark, second);
        }
    }

    /** Names the phase, such as {@code standby}; it holds from the next loop on. */
    public void phase(String name) {
        wantedPhase = name == null || name.isEmpty() ? 0 : call(name) - base << 17;
        if (loop < 0) {
            phase = wantedPhase;
        }
    }

    /** Adds a line {@code # key: value} to the log. */
    public void meta(String key, String value) {
        if (!idle) {
            remarks.add("# " + (text(key).isEmpty() ? "note" : text(key)) + ": " + text(value));
        }
    }

    /** The file being written, or null if there is none. */
    public File file() {
        return file;
    }

    /** Writes what is finished so far; not for the loop's path. */
    public void flush() {
        drain(true);
    }

    /** Ends the recording; from the loop's thread, so that the rows of its last loop are kept. */
    @Override
    public void close() {
        lanes.get().keep();
        end(true);
        lanes.remove(); // else this thread keeps it in memory
    }

    private void end(boolean andHook) {
        synchronized (this) {
            if (closed) {
                return;
            }
            closed = true;
        }
        if (writer != null) {
            writer.interrupt();
        }
        drain(true);
        finish();
        if (andHook && hook != null) {
            try {
                Runtime.getRuntime().removeShutdownHook(hook); // else it keeps all this in memory
            } catch (IllegalStateException e) {
                // the program is ending
            }
        }
    }

    // ---- start --------------------------------------------------------------------------------

    private int intern(String wanted) {
        String name = text(wanted).isEmpty() ? "unnamed" : text(wanted);
        synchronized (ids) {
            Integer there = ids.get(name);
            if (there != null) {
                return there;
            }
            int id = names.length;
            if (id >= MOST_NAMES) {
                return TOO_MANY; // names made up on the fly: they would fill the memory
            }
            byte[][] more = Arrays.copyOf(names, id + 1);
            more[id] = quoted(name);
            names = more;
            known = more.length;
            ids.put(name, id);
            return id;
        }
    }

    private boolean claimLoop(Lane lane) {
        synchronized (all) {
            if (loopLane == null) {
                loopLane = lane;
            }
            return lane == loopLane;
        }
    }

    private Lane register() {
        if (idle) {
            return new Lane(names[NONE], 2);
        }
        synchronized (all) {
            String named = text(Thread.currentThread().getName());
            String plain = named.isEmpty() ? "unnamed" : named, name = plain;
            while (threadNames.putIfAbsent(name, 1) != null) {
                name = plain + "#" + threadNames.merge(plain, 1, Integer::sum);
            }
            long held = 0;
            for (Lane lane : all) {
                held += lane.rows;
            }
            int room = held == 0 || held + rows <= MOST_IN_ALL ? rows : Math.min(rows, FEW_ROWS);
            Lane lane = new Lane(quoted(name), room);
            all.add(lane);
            return lane;
        }
    }

    private void open(File folder, String name) throws IOException {
        long cost = rowCost();
        folder.mkdirs();
        for (int n = 1; file == null; n++) {
            String numbered = String.format(Locale.ROOT, "%s-%03d.csv", fileName(name), n);
            File next = new File(folder, numbered);
            if (next.createNewFile()) { // atomic: never an old file, nor another program's
                file = next;
            }
        }
        out = new FileOutputStream(file);
        put(ascii("# looptime-recorder: java 1\n# clock: monotonic\n# time: " + Instant.now()
            + "\n# row_cost_ns: " + cost + "\n# dropped: 0\n" + HEADER));
        writeBlock(false);
        writer = new Thread(this::writeOn, "looptime-writer");
        writer.setDaemon(true);
        writer.setPriority(Thread.MIN_PRIORITY);
        writer.start();
        hook = new Thread(() -> end(false));
        Runtime.getRuntime().addShutdownHook(hook);
    }

    /** What one timed call costs here, in ns, once the compiler has seen it: a lower quartile. */
    @SuppressWarnings("try")
    private long rowCost() {
        final int batches = 40, calls = 4096;
        long[] cost = new long[batches];
        Lane trial = new Lane(names[0], calls);
        lanes.set(trial);
        for (int b = 0; b < batches; b++) {
            long start = System.nanoTime();
            for (int i = 0; i < calls; i++) {
                try (Lane timed = time(loopCall)) {
                    // nothing: the cost of timing alone
                }
            }
            cost[b] = (System.nanoTime() - start) / calls;
            trial.tail.set(trial.head);
        }
        lanes.remove();
        Arrays.sort(cost, batches / 2, batches);
        return cost[batches * 5 / 8]; // of the later half; what disturbs only adds
    }

    // ---- writer -------------------------------------------------------------------------------

    private void writeOn() {
        for (int n = 1; !closed; n++) {
            try {
                Thread.sleep(WRITE_EVERY_MS);
            } catch (InterruptedException e) {
                return;
            }
            drain(n % SYNC_EVERY == 0);
        }
    }

    private synchronized void drain(boolean sync) {
        if (out == null) {
            return;
        }
        try {
            for (String line = remarks.poll(); line != null; line = remarks.poll()) {
                remark(line);
            }
            long dropped = goneDropped, ignored = goneIgnored;
            for (Lane lane : all) {
                boolean ended = !lane.owner.isAlive();
                long end = lane.published.get();
                for (long row = lane.tail.get(); row < end; row++) {
                    putRow(lane, ((int) row & (lane.rows - 1)) << 2);
                    lane.tail.lazySet(row + 1);
                }
                dropped += lane.dropped.get();
                ignored += lane.ignored.get();
                if (ended) {
                    forget(lane);
                }
            }
            if (dropped != toldDropped || ignored != toldIgnored) {
                toldDropped = dropped;
                toldIgnored = ignored;
                tell();
            }
            writeBlock(sync);
        } catch (IOException | RuntimeException e) {
            giveUp(e);
        }
    }

    private void forget(Lane lane) {
        goneDropped += lane.dropped.get();
        goneIgnored += lane.ignored.get();
        all.remove(lane);
        synchronized (all) {
            if (lane == loopLane) {
                loopLane = null; // another thread may have the loop now
            }
        }
    }

    private void tell() throws IOException {
        remark("# dropped: " + toldDropped);
        if (toldIgnored > 0) {
            remark("# ignored: " + toldIgnored);
        }
    }

    private synchronized void finish() {
        try {
            if (out != null) {
                tell();
                writeBlock(true);
                out.close();
            }
        } catch (IOException e) {
            giveUp(e);
        }
        out = null;
        idle = true;
        all.clear();
    }

    private void giveUp(Throwable e) {
        out = null;
        idle = true;
        all.clear();
        System.err.println("looptime recorder: no log from here on: " + e);
    }

    /** A block ends with a whole row, so a file that is cut is readable up to the last block. */
    private void writeBlock(boolean sync) throws IOException {
        try {
            out.write(block, 0, used);
            written += used;
        } catch (IOException e) {
            out.getChannel().truncate(written); // a full disk takes no part of a row
            throw e;
        } finally {
            used = 0;
        }
        if (sync) {
            out.getFD().sync();
        }
    }

    private void putRow(Lane lane, int at) throws IOException {
        long loopAndSeq = lane.words[at + 2];
        int code = (int) lane.words[at + 3];
        byte[] name = names[code >>> 2 & 0x7fff];
        byte[] inPhase = names[code >>> 17];
        int mark = code & 3;
        room(200 + lane.name.length + name.length + inPhase.length);
        putNumber(loopAndSeq >> 32, 0);
        comma(lane.name);
        comma(null);
        putNumber(loopAndSeq & 0xffffffffL, 0);
        comma(name);
        comma(null);
        long start = ticks(lane.words[at]);
        putNumber(start, decimals);
        comma(null);
        putNumber(mark == SIGNAL ? 0 : ticks(lane.words[at + 1]) - start, decimals);
        comma(inPhase);
        comma(MARKS[mark]);
        comma(null);
        if (mark == SIGNAL) {
            putValue(Double.longBitsToDouble(lane.words[at + 1]));
        }
        block[used++] = '\n';
    }

    /** Time since the start in the last decimal written; start and end alike, so nesting holds. */
    private long ticks(long instant) {
        long step = decimals == 3 ? 1 : decimals == 2 ? 10 : decimals == 1 ? 100 : 1000;
        return (instant - origin) / step;
    }

    private void comma(byte[] text) {
        block[used++] = ',';
        if (text != null) {
            put(text);
        }
    }

    private void put(byte[] text) {
        System.arraycopy(text, 0, block, used, text.length);
        used += text.length;
    }

    /** Appends value / 10^places; digits are made here because String.format leaves garbage. */
    private void putNumber(long value, int places) {
        if (value < 0) {
            block[used++] = '-';
            value = -value;
        }
        int digits = places + 1;
        for (long v = value / POWERS[places]; v >= 10; v /= 10) {
            digits++;
        }
        int end = used + digits + (places > 0 ? 1 : 0);
        for (int at = end - 1, n = 0; at >= used; at--, n++) {
            if (places > 0 && n == places) {
                block[at] = '.';
            } else {
                block[at] = (byte) ('0' + value % 10);
                value /= 10;
            }
        }
        used = end;
    }

    private static final int[] POWERS = {1, 10, 100, 1000, 10000, 100000, 1000000};

    private void putValue(double value) {
        double size = Math.abs(value);
        if (Double.isNaN(value) || Double.isInfinite(value)) {
            return;
        }
        if (size != 0 && (size < 1e-3 || size > 1e12)) {
            put(ascii(Double.toString(value)));
            return;
        }
        putNumber(Math.round(value * 1e6), 6);
        while (block[used - 1] == '0') {
            used--;
        }
        if (block[used - 1] == '.') {
            used--;
        }
    }

    private void remark(String line) throws IOException {
        byte[] text = line.getBytes(StandardCharsets.UTF_8);
        room(text.length + 1);
        put(text);
        block[used++] = '\n';
    }

    private void room(int bytes) throws IOException {
        if (used + bytes > block.length) {
            writeBlock(false);
        }
    }

    private static byte[] ascii(String text) {
        return text.getBytes(StandardCharsets.US_ASCII);
    }

    /** The text as it is written: not too long and on one line. */
    private static String text(String wanted) {
        String given = String.valueOf(wanted);
        StringBuilder clean = new StringBuilder();
        for (int n = 0; n < given.length() && n < LONGEST_TEXT; n++) {
            char c = given.charAt(n);
            clean.append(Character.isISOControl(c) || c == '\u2028' || c == '\u2029' ? ' ' : c);
        }
        return clean.toString().trim();
    }

    /** A name for the file, in its folder and nowhere else. */
    private static String fileName(String wanted) {
        String name = text(wanted).replaceAll("[/\\\\:*?\"<>|]", "-");
        return name.isEmpty() ? "log" : name.substring(0, Math.min(LONGEST_FILE_NAME, name.length()));
    }

    private static byte[] quoted(String text) {
        boolean plain = text.indexOf(',') < 0 && text.indexOf('"') < 0 && !text.startsWith("#");
        String field = plain ? text : '"' + text.replace("\"", "\"\"") + '"';
        return field.getBytes(StandardCharsets.UTF_8);
    }
}
