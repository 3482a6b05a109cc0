//! Ride: body on springs, bars, dampers and stops, wheels on tyre springs.
//!
//! All heights are deviations from rest on level ground, up positive; forces are deviations too, so gravity does
//! not appear but where slope, banking or curvature change it.

use crate::car::{Car, GRAVITY_MPS2};
use crate::loads::FLOOR_NPM;

/// What moves the body in one step.
#[derive(Debug, Clone, Copy)]
pub(super) struct RideInput {
    pub(super) corner_m: [[f64; 2]; 4],
    pub(super) road_m: [f64; 4],
    /// Of all tyres, in the car's axes \[N\].
    pub(super) force_x_n: f64,
    /// Of the front and the rear tyres \[N\].
    pub(super) axle_force_y_n: [f64; 2],
    pub(super) downforce_n: [f64; 2],
    /// What stands for gravity across the road \[m/s²\].
    pub(super) normal_mps2: f64,
}

#[derive(Debug, Clone)]
pub(super) struct Ride {
    /// Heave \[m\], pitch (nose down) and roll (right down) \[rad\], and their rates.
    body: [f64; 3],
    body_rate: [f64; 3],
    wheel_m: [f64; 4],
    wheel_mps: [f64; 4],
    road_m: [f64; 4],
    pub(super) compression_m: [f64; 4],
    pub(super) compression_mps: [f64; 4],
    rest_load_n: [f64; 4],
    tyre_npm: [f64; 4],
    rest_height_m: [f64; 2],
    sprung_kg: f64,
    inertia: [f64; 3],
    corner_m: [[f64; 2]; 4],
    touching: [bool; 2],
}

impl Ride {
    pub(super) fn new(car: &Car, fuel_kg: f64) -> Self {
        let mut ride = Self {
            body: [0.0; 3],
            body_rate: [0.0; 3],
            wheel_m: [0.0; 4],
            wheel_mps: [0.0; 4],
            road_m: [0.0; 4],
            compression_m: [0.0; 4],
            compression_mps: [0.0; 4],
            rest_load_n: [0.0; 4],
            tyre_npm: [0.0; 4],
            rest_height_m: [car.front.ride_height_m, car.rear.ride_height_m],
            sprung_kg: 0.0,
            inertia: [1.0; 3],
            corner_m: [[0.0; 2]; 4],
            touching: [false; 2],
        };
        ride.weigh(car, fuel_kg);
        ride
    }

    /// Masses and loads at rest for a fuel load.
    pub(super) fn weigh(&mut self, car: &Car, fuel_kg: f64) {
        let mass = car.mass_kg(fuel_kg);
        let a = car.cg_to_front_axle_m(fuel_kg);
        let l = car.body.wheelbase_m;
        let front = 0.5 * mass * GRAVITY_MPS2 * (l - a) / l;
        let rear = 0.5 * mass * GRAVITY_MPS2 * a / l;
        self.rest_load_n = [front, front, rear, rear];
        let (tf, tr) = (0.5 * car.front.track_m, 0.5 * car.rear.track_m);
        self.corner_m = [[a, tf], [a, -tf], [a - l, tr], [a - l, -tr]];
        self.sprung_kg = mass - 2.0 * (car.front.unsprung_mass_kg + car.rear.unsprung_mass_kg);
        let yaw = car.body.yaw_inertia();
        let track = 0.5 * (car.front.track_m + car.rear.track_m);
        self.inertia = [
            self.sprung_kg,
            car.body.pitch_inertia_kgm2.unwrap_or(0.9 * yaw),
            car.body.roll_inertia_kgm2.unwrap_or(mass * (0.3 * track).powi(2)),
        ];
        self.tyre_npm = [
            car.front.tyre.vertical_stiffness_npm,
            car.front.tyre.vertical_stiffness_npm,
            car.rear.tyre.vertical_stiffness_npm,
            car.rear.tyre.vertical_stiffness_npm,
        ];
    }

    /// Starts with the body already pressed down by the given axle downforces, so that placing a fast car does
    /// not begin with a bounce. Springs and tyres in series; stops are left to the first steps.
    pub(super) fn settle_under(&mut self, downforce_n: [f64; 2]) {
        let l = self.corner_m[0][0] - self.corner_m[2][0];
        for i in 0..4 {
            self.wheel_m[i] = -0.5 * downforce_n[i / 2] / self.tyre_npm[i];
        }
        let [front, rear] = [self.wheel_m[0], self.wheel_m[2]];
        self.body[1] = (rear - front) / l;
        self.body[0] = front + self.body[1] * self.corner_m[0][0];
    }

    /// Loads of the four tyres \[N\], never below 0.
    #[inline]
    pub(super) fn loads_n(&self) -> [f64; 4] {
        std::array::from_fn(|i| {
            let load = self.rest_load_n[i] + self.tyre_npm[i] * (self.road_m[i] - self.wheel_m[i]);
            load.clamp(0.0, 12.0 * self.rest_load_n[i])
        })
    }

    /// Inclination of the four wheels \[rad\], positive with the top to the right.
    #[inline]
    pub(super) fn inclinations_rad(&self, car: &Car) -> [f64; 4] {
        let roll = self.body[2];
        let (front, rear) = (roll * car.front.camber_per_roll, roll * car.rear.camber_per_roll);
        [
            front - car.front.camber_rad,
            front + car.front.camber_rad,
            rear - car.rear.camber_rad,
            rear + car.rear.camber_rad,
        ]
    }

    pub(super) fn pitch(&self) -> f64 {
        self.body[1]
    }

    pub(super) fn roll(&self) -> f64 {
        self.body[2]
    }

    #[inline]
    fn body_height(&self, [x, y]: [f64; 2]) -> f64 {
        self.body[0] - self.body[1] * x + self.body[2] * y
    }

    /// Floor over the mean road at both axles \[m\].
    #[inline]
    pub(super) fn axle_heights_m(&self) -> [f64; 2] {
        [
            self.rest_height_m[0] + self.body_height([self.corner_m[0][0], 0.0]),
            self.rest_height_m[1] + self.body_height([self.corner_m[2][0], 0.0]),
        ]
    }

    /// Floor over the road at the four corners \[m\].
    pub(super) fn corner_heights_m(&self) -> [f64; 4] {
        std::array::from_fn(|i| {
            self.rest_height_m[i / 2] + self.body_height(self.corner_m[i]) - self.road_m[i]
        })
    }

    /// One step; returns the upward acceleration of the body \[m/s²\].
    #[inline]
    pub(super) fn step(&mut self, car: &Car, input: &RideInput, dt: f64) -> f64 {
        let l = car.body.wheelbase_m;
        let h = car.body.cg_height_m;
        let pitch_moment = -h * input.force_x_n;
        let link = car.body.anti_pitch * pitch_moment / (2.0 * l);
        self.road_m = input.road_m;
        let gravity = GRAVITY_MPS2 - input.normal_mps2;
        let mut up = self.sprung_kg * gravity - input.downforce_n[0] - input.downforce_n[1];
        let front_x = input.corner_m[0][0];
        let mut nose_down =
            pitch_moment + front_x * input.downforce_n[0] - (l - front_x) * input.downforce_n[1];
        let mut right_down = h * (input.axle_force_y_n[0] + input.axle_force_y_n[1]);
        let heights = self.axle_heights_m();
        let mut wheel_force = [0.0; 4];
        for (axle_index, axle) in [&car.front, &car.rear].into_iter().enumerate() {
            let (left, right) = (2 * axle_index, 2 * axle_index + 1);
            let mut squeeze = [0.0; 2];
            for (side, i) in [left, right].into_iter().enumerate() {
                let [x, y] = input.corner_m[i];
                let height = self.body_height([x, y]);
                let rate = self.body_rate[0] - self.body_rate[1] * x + self.body_rate[2] * y;
                squeeze[side] = self.wheel_m[i] - height;
                self.compression_m[i] = squeeze[side];
                self.compression_mps[i] = self.wheel_mps[i] - rate;
            }
            let bar = axle.anti_roll_bar_nmprad * (squeeze[0] - squeeze[1]) / (axle.track_m * axle.track_m);
            let jack = -input.axle_force_y_n[axle_index] * axle.roll_centre_height_m / axle.track_m;
            let links = if axle_index == 0 { link } else { -link };
            for (side, i) in [left, right].into_iter().enumerate() {
                let sign = if side == 0 { 1.0 } else { -1.0 };
                let speed = self.compression_mps[i];
                // Implicit in its own rate: at most it stops the wheel's motion against the body in this step.
                let c = axle.damper.secant_nspm(speed);
                let c = c / (1.0 + c * dt * (1.0 / axle.unsprung_mass_kg + 3.0 / self.sprung_kg));
                let mut spring = axle.wheel_rate_npm * squeeze[side] + sign * bar + c * speed;
                let stop = squeeze[side] - axle.bump_travel_m;
                if stop > 0.0 {
                    spring += axle.bump_stop_npm * stop;
                }
                let total = spring + sign * jack + links;
                wheel_force[i] = -total;
                let [x, y] = input.corner_m[i];
                up += total;
                nose_down -= x * total;
                right_down += y * total;
            }
            // The floor on the road, inelastic: it pushes while sinking, hardly while rising.
            let x = input.corner_m[left][0];
            let gap = heights[axle_index] - 0.5 * (self.road_m[left] + self.road_m[right]);
            self.touching[axle_index] = gap < 0.0;
            if gap < 0.0 {
                let sinking = self.body_rate[0] - self.body_rate[1] * x < 0.0;
                let push = -gap * FLOOR_NPM * if sinking { 1.0 } else { 0.5 };
                up += push;
                nose_down -= x * push;
            }
        }
        let moments = [up, nose_down, right_down];
        let az = up / self.inertia[0];
        for (k, limit) in [0.4, 0.4, 0.6].into_iter().enumerate() {
            self.body_rate[k] = (self.body_rate[k] + moments[k] / self.inertia[k] * dt).clamp(-8.0, 8.0);
            self.body[k] += self.body_rate[k] * dt;
            if self.body[k].abs() > limit {
                self.body[k] = self.body[k].clamp(-limit, limit);
                self.body_rate[k] = 0.0;
            }
        }
        for (i, &push) in wheel_force.iter().enumerate() {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let load = (self.rest_load_n[i] + self.tyre_npm[i] * (self.road_m[i] - self.wheel_m[i])).max(0.0);
            let force = push + load - self.rest_load_n[i] + axle.unsprung_mass_kg * gravity;
            self.wheel_mps[i] = (self.wheel_mps[i] + force / axle.unsprung_mass_kg * dt).clamp(-20.0, 20.0);
            self.wheel_m[i] = (self.wheel_m[i] + self.wheel_mps[i] * dt).clamp(-0.5, 0.5);
        }
        az
    }
}
