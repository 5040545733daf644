import java.util.ArrayList;
import java.util.List;
import java.util.Locale;

/** What the program itself counts while it runs, apart from the log. */
final class Tally {
    /** One call: its name, what it does, and how often and how long it was done. */
    static final class Step {
        final String name;
        final int id;
        final Bus bus;
        final int items;
        final boolean blocking;
        long count;
        long totalNs;
        long lockWaitNs;
        long maxNs;
        String thread;

        Step(String name, int id, Bus bus, int items, boolean blocking) {
            this.name = name;
            this.id = id;
            this.bus = bus;
            this.items = items;
            this.blocking = blocking;
        }

        void add(long startNs) {
            long ns = System.nanoTime() - startNs;
            if (count++ == 0) {
                thread = Thread.currentThread().getName();
            }
            totalNs += ns;
            maxNs = Math.max(maxNs, ns);
        }
    }

    private final List<Step> steps = new ArrayList<>();
    private final long budgetNs;
    private long firstNs;
    private long lastNs;
    private long marks;
    private long overruns;
    private long longestNs;

    Tally(double budgetMs) {
        budgetNs = (long) (budgetMs * 1e6);
    }

    Step step(LooptimeRecorder rec, String name, Bus bus, int items, boolean blocking) {
        Step step = new Step(name, rec.call(name), bus, items, blocking);
        steps.add(step);
        return step;
    }

    void loop(long now) {
        if (marks++ == 0) {
            firstNs = now;
        } else {
            longestNs = Math.max(longestNs, now - lastNs);
            if (now - lastNs > budgetNs) {
                overruns++;
            }
        }
        lastNs = now;
    }

    /** Returns the figures as JSON; the last loop has no end and does not count. */
    String json(String loopThread) {
        StringBuilder out = new StringBuilder();
        long loops = marks - 1;
        Step top = null;
        out.append(String.format(Locale.ROOT,
            "{\n  \"loops\": %d,\n  \"mean_period_ms\": %.6f,\n  \"longest_period_ms\": %.6f,\n"
            + "  \"overruns\": %d,\n  \"calls\": {\n",
            loops, (lastNs - firstNs) / 1e6 / loops, longestNs / 1e6, overruns));
        String comma = "";
        for (Step s : steps) {
            if (s.count == 0) {
                continue;
            }
            boolean candidate = s.blocking && s.thread.equals(loopThread);
            if (candidate && (top == null || s.totalNs > top.totalNs)) {
                top = s;
            }
            out.append(String.format(Locale.ROOT,
                "%s    \"%s\": {\"thread\": \"%s\", \"count\": %d, \"total_ms\": %.6f,"
                + " \"max_ms\": %.6f, \"lock_wait_ms\": %.6f}",
                comma, s.name, s.thread, s.count, s.totalNs / 1e6, s.maxNs / 1e6,
                s.lockWaitNs / 1e6));
            comma = ",\n";
        }
        return out.append(String.format(Locale.ROOT, "\n  },\n  \"top_blocking_call\": \"%s\"",
            top == null ? "" : top.name)).toString();
    }
}
