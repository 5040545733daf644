import java.io.File;
import java.io.FileWriter;
import java.io.IOException;
import java.io.PrintWriter;
import java.lang.management.GarbageCollectorMXBean;
import java.lang.management.ManagementFactory;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.util.HashMap;
import java.util.Locale;
import java.util.Map;
import java.util.Random;

/**
 * A real control loop on real clocks, without a robot: it carries seedling trays between benches on
 * four steered wheels, with a mast and a gripper. Buses, locks, threads, the telemetry file and the
 * garbage collector are real; only what hangs on the buses is not. Settings are key=value.
 */
public final class Rig {
    private static final String[] WHEELS = {"front_left", "front_right", "rear_left", "rear_right"};
    private static final double[][] WHEEL_AT_M = {{.3, .25}, {.3, -.25}, {-.3, .25}, {-.3, -.25}};

    private final Map<String, String> settings;
    private final LooptimeRecorder rec;
    private final Tally tally;
    private final Motion motion;
    private final Random random;
    private final long startNs;

    private final Tally.Step gyroRead, driveUpdate, encodersRead, kinematics;
    private final Tally.Step[] steerRead = new Tally.Step[4], driveRead = new Tally.Step[4];
    private final Tally.Step[] steerWrite = new Tally.Step[4], driveWrite = new Tally.Step[4];
    private final Tally.Step mastUpdate, mastRead, mastWrite;
    private final Tally.Step gripperUpdate, gripperRead, gripperWrite;
    private final Tally.Step rangeRead, powerRead, telemetryWrite, telemetryFlush, paceWait;
    private final int headingDeg, turnRateDegS, batteryV;

    private final double[] steerCommand = new double[4], driveCommand = new double[4];
    private final byte[][] alive = new byte[256][]; // what the collector has to copy
    private final String[] phases;
    private final double[] phaseFromS;
    private final boolean coarse;
    private final Object handOver = new Object();
    private double[] newest = {0, 0};
    private volatile boolean over;
    private long loops, nextTelemetryNs, nextFlushNs, nextTickNs, missedTicks;

    private Rig(Map<String, String> settings) {
        this.settings = settings;
        random = new Random((long) number("seed"));
        rec = LooptimeRecorder.start(new File(text("out")), text("name"), 1 << 14,
            (int) number("decimals"));
        coarse = text("detail").equals("subsystems");
        tally = new Tally(number("budget_ms"));
        String[] plan = text("phases").isEmpty() ? new String[0] : text("phases").split("\\|");
        phases = new String[plan.length];
        phaseFromS = new double[plan.length + 1];
        for (int i = 0; i < plan.length; i++) {
            phases[i] = plan[i].split("@")[0];
            phaseFromS[i] = Double.parseDouble(plan[i].split("@")[1]);
        }
        phaseFromS[plan.length] = number("seconds");
        motion = motion();
        boolean fair = text("lock").equals("fair");
        Bus port = new Bus(fair, number("port_base_ms"), number("port_per_item_ms"),
            number("port_jitter_ms"), random.nextLong());
        Bus aux = new Bus(fair, number("aux_base_ms"), number("aux_per_item_ms"),
            number("aux_jitter_ms"), random.nextLong());
        Bus gyroBus = text("gyro_bus").equals("aux") ? aux : port;
        gyroRead = tally.step(rec, "gyro.read", gyroBus, 6, true);
        driveUpdate = tally.step(rec, "drive.update", null, 0, false);
        encodersRead = tally.step(rec, "drive.encoders.read", port, 8, true);
        for (int w = 0; w < 4; w++) {
            String wheel = "drive." + WHEELS[w];
            steerRead[w] = tally.step(rec, wheel + ".steer.read", port, 1, true);
            driveRead[w] = tally.step(rec, wheel + ".drive.read", port, 1, true);
            steerWrite[w] = tally.step(rec, wheel + ".steer.write", port, 1, true);
            driveWrite[w] = tally.step(rec, wheel + ".drive.write", port, 1, true);
        }
        kinematics = tally.step(rec, "drive.kinematics", null, 0, false);
        mastUpdate = tally.step(rec, "mast.update", null, 0, false);
        mastRead = tally.step(rec, "mast.read", port, 2, true);
        mastWrite = tally.step(rec, "mast.write", port, 1, true);
        gripperUpdate = tally.step(rec, "gripper.update", null, 0, false);
        gripperRead = tally.step(rec, "gripper.read", port, 1, true);
        gripperWrite = tally.step(rec, "gripper.write", port, 1, true);
        rangeRead = tally.step(rec, "range.read", aux, 2, true);
        powerRead = tally.step(rec, "power.read", aux, 5, true);
        telemetryWrite = tally.step(rec, "telemetry.write", null, 0, true);
        telemetryFlush = tally.step(rec, "telemetry.flush", null, 0, true);
        paceWait = tally.step(rec, "pace.wait", null, 0, false);
        headingDeg = rec.call("heading_deg");
        turnRateDegS = rec.call("turn_rate_deg_s");
        batteryV = rec.call("battery_v");
        startNs = System.nanoTime();
    }

    private Motion motion() {
        if (phases.length == 0) {
            return new Motion(new double[] {0}, new double[] {number("seconds")});
        }
        double[] from = new double[phases.length], to = new double[phases.length];
        for (int i = 0; i < phases.length; i++) {
            from[i] = phaseFromS[i];
            to[i] = phases[i].equals("standby") ? from[i] : phaseFromS[i + 1];
        }
        return new Motion(from, to);
    }

    private String text(String key) {
        return settings.get(key);
    }

    private double number(String key) {
        return Double.parseDouble(settings.get(key));
    }

    private double seconds(long now) {
        return (now - startNs) / 1e9;
    }

    // ---- the loop -----------------------------------------------------------------------------

    private void run() throws IOException, InterruptedException {
        boolean inThread = text("gyro").equals("thread");
        Thread reader = new Thread(this::readGyroOn, "gyro");
        if (inThread) {
            reader.start();
        }
        File telemetry = File.createTempFile("rig", ".txt");
        long endNs = startNs + (long) (number("seconds") * 1e9);
        nextTelemetryNs = nextFlushNs = nextTickNs = startNs;
        nextFlushNs += (long) (number("flush_s") * 1e9);
        try (PrintWriter out = new PrintWriter(new FileWriter(telemetry))) {
            while (System.nanoTime() < endNs || loops < number("least_loops")) {
                loop(inThread, out);
            }
        }
        over = true;
        if (inThread) {
            reader.join();
        }
        rec.close();
        telemetry.delete();
    }

    private void loop(boolean inThread, PrintWriter out) {
        double t = seconds(System.nanoTime());
        if (phases.length > 0) {
            rec.phase(phaseAt(t));
        }
        rec.loop();
        tally.loop(System.nanoTime());
        loops++;
        double[] gyro = inThread ? pickUp() : readGyro();
        if (!coarse) {
            rec.signal(headingDeg, hundredths(gyro[0]));
            rec.signal(turnRateDegS, hundredths(gyro[1]));
        }
        if (loops % 10 == 1) {
            rec.signal(batteryV, hundredths(12.7 - 0.003 * t - 0.004 * Math.abs(gyro[1])));
        }
        boolean moving = motion.moving(t);
        drive(gyro, moving);
        arm(mastUpdate, mastRead, mastWrite, moving);
        arm(gripperUpdate, gripperRead, gripperWrite, moving);
        others();
        telemetry(out, gyro);
        garbage();
        pace();
    }

    private String phaseAt(double t) {
        int i = 0;
        while (i + 1 < phases.length && t >= phaseFromS[i + 1]) {
            i++;
        }
        return phases[i];
    }

    private static double hundredths(double value) {
        return Math.rint(value * 100) / 100;
    }

    private void transact(Tally.Step step, double factor) {
        if (coarse && step != gyroRead) { // a team that times whole subsystems only
            long start = System.nanoTime();
            step.lockWaitNs += step.bus.transact(step.items, factor);
            step.add(start);
            return;
        }
        try (LooptimeRecorder.Lane timed = rec.time(step.id)) {
            long start = System.nanoTime();
            step.lockWaitNs += step.bus.transact(step.items, factor);
            step.add(start);
        }
    }

    // ---- gyro ---------------------------------------------------------------------------------

    /** The reading is what was true when the read began: the sensor latches, then transfers. */
    private double[] readGyro() {
        double t = seconds(System.nanoTime());
        double[] reading = {
            motion.headingDeg(t), motion.turnRateDegS(t) + 0.05 * random.nextGaussian()
        };
        transact(gyroRead, number("gyro_factor"));
        return reading;
    }

    private void readGyroOn() {
        long restNs = (long) (number("gyro_rest_ms") * 1e6);
        while (!over) {
            double[] reading = readGyro();
            synchronized (handOver) {
                newest = reading;
                rec.published(gyroRead.id);
            }
            if (restNs > 0) {
                Bus.waitUntil(System.nanoTime() + restNs);
            }
        }
    }

    private double[] pickUp() {
        synchronized (handOver) {
            rec.used(gyroRead.id);
            return newest;
        }
    }

    // ---- subsystems ---------------------------------------------------------------------------

    private void drive(double[] gyro, boolean moving) {
        try (LooptimeRecorder.Lane timed = rec.time(driveUpdate.id)) {
            long start = System.nanoTime();
            if ((loops - 1) % (long) number("encoders_every") == 0) {
                readEncoders();
            }
            boolean[] changed = kinematics(gyro, moving);
            for (int w = 0; w < 4 && moving; w++) {
                if (changed[2 * w]) {
                    transact(steerWrite[w], 1);
                }
                if (changed[2 * w + 1]) {
                    transact(driveWrite[w], 1);
                }
            }
            driveUpdate.add(start);
        }
    }

    private void readEncoders() {
        if (text("encoders").equals("batched")) {
            transact(encodersRead, 1);
            return;
        }
        for (int w = 0; w < 4; w++) {
            transact(steerRead[w], 1);
            transact(driveRead[w], 1);
        }
    }

    /** Wheel angles and speeds for driving straight along the field while turning. */
    private boolean[] kinematics(double[] gyro, boolean moving) {
        boolean always = text("writes").equals("always");
        boolean[] changed = new boolean[8];
        try (LooptimeRecorder.Lane timed = rec.time(kinematics.id)) {
            long start = System.nanoTime();
            double heading = Math.toRadians(gyro[0]), rate = Math.toRadians(gyro[1]);
            for (int w = 0; w < 4; w++) {
                double angle = 0, speed = 0;
                for (int pass = 0; pass < 700; pass++) { // as a solver that refines would
                    double vx = Math.cos(-heading) - rate * WHEEL_AT_M[w][1] + angle * 1e-12;
                    double vy = Math.sin(-heading) + rate * WHEEL_AT_M[w][0];
                    angle = Math.toDegrees(Math.atan2(vy, vx));
                    speed = Math.hypot(vx, vy);
                }
                angle = Math.rint(angle / 2) * 2; // the controllers' resolution: 2 deg, 2 cm/s
                speed = Math.rint(speed / 0.02) * 0.02;
                changed[2 * w] = always || angle != steerCommand[w];
                changed[2 * w + 1] = always || speed != driveCommand[w];
                steerCommand[w] = angle;
                driveCommand[w] = speed;
            }
            kinematics.add(start);
        }
        return changed;
    }

    private void arm(Tally.Step update, Tally.Step read, Tally.Step write, boolean moving) {
        try (LooptimeRecorder.Lane timed = rec.time(update.id)) {
            long start = System.nanoTime();
            transact(read, 1);
            if (moving) {
                transact(write, 1);
            }
            update.add(start);
        }
    }

    private void others() {
        long everyRange = (long) number("range_every"), everyPower = (long) number("power_every");
        if (everyRange > 0 && loops % everyRange == 0) {
            waitForRange();
        }
        if (everyPower > 0 && loops % everyPower == 0) {
            transact(powerRead, 1);
        }
    }

    /** The range sensor measures on its own clock; a read waits until the next value is there. */
    private void waitForRange() {
        long periodNs = (long) (number("range_period_ms") * 1e6);
        try (LooptimeRecorder.Lane timed = rec.time(rangeRead.id)) {
            long start = System.nanoTime();
            Bus.waitUntil(startNs + ((start - startNs) / periodNs + 1) * periodNs);
            rangeRead.lockWaitNs += rangeRead.bus.transact(rangeRead.items, 1);
            rangeRead.add(start);
        }
    }

    // ---- by the clock -------------------------------------------------------------------------

    private void telemetry(PrintWriter out, double[] gyro) {
        long now = System.nanoTime();
        if (now >= nextTelemetryNs) {
            nextTelemetryNs = nextAfter(nextTelemetryNs, number("telemetry_ms") * 1e6, now);
            write(telemetryWrite, out, gyro, number("telemetry_cost_ms"));
        }
        if (number("flush_s") > 0 && now >= nextFlushNs) {
            nextFlushNs = nextAfter(nextFlushNs, number("flush_s") * 1e9, now);
            write(telemetryFlush, out, gyro, number("flush_cost_ms"));
        }
    }

    private static long nextAfter(long due, double everyNs, long now) {
        long every = (long) everyNs;
        return due + every * ((now - due) / every + 1);
    }

    private void write(Tally.Step step, PrintWriter out, double[] gyro, double costMs) {
        try (LooptimeRecorder.Lane timed = rec.time(step.id)) {
            long start = System.nanoTime();
            out.printf(Locale.ROOT, "%.2f %.2f%n", gyro[0], gyro[1]);
            out.flush();
            double ms = costMs * (0.8 + 0.2 * -Math.log(1 - random.nextDouble()));
            Bus.waitUntil(start + (long) (ms * 1e6));
            step.add(start);
        }
    }

    private void garbage() {
        int kb = (int) number("garbage_kb");
        for (int i = 0; i < kb / 16; i++) {
            alive[random.nextInt(alive.length)] = new byte[16 << 10];
        }
    }

    private void pace() {
        String mode = text("pace");
        if (mode.equals("free")) {
            return;
        }
        long periodNs = (long) (number("pace_ms") * 1e6);
        long now = System.nanoTime();
        nextTickNs += periodNs;
        if (mode.equals("skip") && nextTickNs < now) {
            long missed = (now - nextTickNs) / periodNs + 1;
            missedTicks += missed;
            nextTickNs += missed * periodNs;
        }
        if (nextTickNs > now) {
            try (LooptimeRecorder.Lane timed = rec.time(paceWait.id)) {
                long start = System.nanoTime();
                Bus.waitUntil(nextTickNs);
                paceWait.add(start);
            }
        }
    }

    // ---- main ---------------------------------------------------------------------------------

    public static void main(String[] args) throws Exception {
        Map<String, String> settings = new HashMap<>();
        for (String arg : args) {
            settings.put(arg.substring(0, arg.indexOf('=')), arg.substring(arg.indexOf('=') + 1));
        }
        Thread.currentThread().setName("main");
        Rig rig = new Rig(settings);
        rig.rec.meta("robot", "tray-carrier");
        rig.rec.meta("label", settings.get("name"));
        rig.rec.meta("code_version", settings.get("code_version"));
        rig.run();
        long collections = 0, collectionMs = 0;
        for (GarbageCollectorMXBean bean : ManagementFactory.getGarbageCollectorMXBeans()) {
            collections += bean.getCollectionCount();
            collectionMs += bean.getCollectionTime();
        }
        String truth = rig.tally.json("main") + String.format(Locale.ROOT,
            ",\n  \"missed_ticks\": %d,\n  \"collections\": %d,\n  \"collection_ms\": %d\n}\n",
            rig.missedTicks, collections, collectionMs);
        Files.write(new File(settings.get("truth")).toPath(),
            truth.getBytes(StandardCharsets.UTF_8));
    }
}
