/** A pretended robot for the guide's program: some loops in two phases. */
public class Robot {
    private volatile int ticks, poses;

    public boolean running() {
        return ticks < 20;
    }

    public String phase() {
        return ticks < 5 ? "standby" : "operator";
    }

    public double readGyro() {
        pause(1);
        return 12.5;
    }

    public double readPose() {
        poses = poses + 1;
        pause(2);
        return 3;
    }

    public void writeWheels(double heading, double position) {
        pause(1);
    }

    public void waitForNextTick() {
        do {
            pause(1);
        } while (ticks == 10 && poses < 2); // the reader's turn
        ticks = ticks + 1;
    }

    private static void pause(int ms) {
        try {
            Thread.sleep(ms);
        } catch (InterruptedException e) {
            throw new IllegalStateException(e);
        }
    }

    public static void main(String[] words) throws InterruptedException {
        RobotLoop.run(new Robot());
    }
}
