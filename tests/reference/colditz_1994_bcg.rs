//! Thirteen trials of a vaccine, log relative risks: Colditz et al. 1994, J. Am. Med. Assoc. 271:698–702, as distributed with
//! the R package metadat 1.2.0 (`dat.bcg`).
//!
//! Expected values: metafor 3.8.1 in R 4.2.2 (`rma`, REML and ML iterated to 10⁻¹⁴), copied by program. The published analysis is
//! Viechtbauer 2010, J. Stat. Softw. 36(3), section 4. metafor stops its Paule–Mandel search at 10⁻⁴; the same equation is
//! solved exactly by its empirical Bayes estimator, whose values stand here, and the looser ones are held to 10⁻⁴.

use bandlift::stats::dense::Mat;
use bandlift::stats::meta::{BetweenVariance, CoefficientInference, Estimates, MetaFit, PredictionDegrees};

use crate::support::{Tol, close, close_to_printed};

/// Log relative risks.
const Y: [f64; 13] = [
    -0.889311333920205,
    -1.58538865720143,
    -1.34807314829969,
    -1.44155119002131,
    -0.217547322211296,
    -0.786115585818864,
    -1.62089822359839,
    0.0119523335238405,
    -0.469417648738149,
    -1.37134480347278,
    -0.339358828338391,
    0.445913400571379,
    -0.0173139482168798,
];
/// Their sampling variances.
const V: [f64; 13] = [
    0.325584765003961,
    0.194581121398144,
    0.415367965367965,
    0.0200100319022476,
    0.0512101721696309,
    0.00690561845590876,
    0.223017247572315,
    0.00396157929781773,
    0.056434210463249,
    0.0730247936130289,
    0.0124122139715597,
    0.532505845200153,
    0.0714046596839863,
];

/// Absolute latitude, degrees.
const LATITUDE: [f64; 13] = [44.0, 55.0, 42.0, 52.0, 13.0, 44.0, 19.0, 13.0, 27.0, 42.0, 18.0, 33.0, 33.0];

/// Year of publication.
const YEAR: [f64; 13] =
    [1948.0, 1949.0, 1960.0, 1977.0, 1973.0, 1953.0, 1973.0, 1980.0, 1968.0, 1961.0, 1974.0, 1969.0, 1976.0];

const EXPECTED: [Expected; 19] = [
    Expected {
        name: "REML",
        method: BetweenVariance::RestrictedLikelihood,
        inference: CoefficientInference::Wald,
        design: Design::Mean,
        beta: &[-0.714532342158139],
        se: &[0.179781516105206],
        interval: &[(-1.06689763881035, -0.362167045505929)],
        tau2: 0.313243258136481,
        tau2_se: Some(0.166425752836971),
        i2_percent: 92.221384521269,
        h2: 12.8557582353092,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.7962393381138, 7.05425810164164e-5),
        log_likelihood: (-12.6877716626704, -12.2023714154936),
        scale: 1.0,
        prediction: Some((-1.86669221790289, 0.437627533586608)),
    },
    Expected {
        name: "REML_knha",
        method: BetweenVariance::RestrictedLikelihood,
        inference: CoefficientInference::KnappHartung,
        design: Design::Mean,
        beta: &[-0.714532342158139],
        se: &[0.180791744092848],
        interval: &[(-1.10844371368555, -0.320620970630728)],
        tau2: 0.313243258136481,
        tau2_se: Some(0.166425752836971),
        i2_percent: 92.221384521269,
        h2: 12.8557582353092,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6202001206376, 0.00192001509605729),
        log_likelihood: (-12.6877716626704, -12.2023714154936),
        scale: 1.01126997196685,
        prediction: Some((-1.9960168341962, 0.566952149879924)),
    },
    Expected {
        name: "ML",
        method: BetweenVariance::MaximumLikelihood,
        inference: CoefficientInference::Wald,
        design: Design::Mean,
        beta: &[-0.711199135474181],
        se: &[0.17189680877689],
        interval: &[(-1.04811068973425, -0.374287581214108)],
        tau2: 0.280028137268644,
        tau2_se: Some(0.144251949382764),
        i2_percent: 91.3782837894461,
        h2: 11.5986188315488,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (17.1177552171328, 3.51323296903272e-5),
        log_likelihood: (-12.6650763482768, -12.224524067523),
        scale: 1.0,
        prediction: Some((-1.80171550552422, 0.379317234575858)),
    },
    Expected {
        name: "ML_knha",
        method: BetweenVariance::MaximumLikelihood,
        inference: CoefficientInference::KnappHartung,
        design: Design::Mean,
        beta: &[-0.711199135474181],
        se: &[0.180042222144362],
        interval: &[(-1.10347743896412, -0.318920831984247)],
        tau2: 0.280028137268644,
        tau2_se: Some(0.144251949382764),
        i2_percent: 91.3782837894461,
        h2: 11.5986188315488,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6039198560965, 0.00192716565913341),
        log_likelihood: (-12.6650763482768, -12.224524067523),
        scale: 1.09701635069888,
        prediction: Some((-1.92908210950171, 0.506683838553348)),
    },
    Expected {
        name: "DL",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::Wald,
        design: Design::Mean,
        beta: &[-0.714117222073227],
        se: &[0.178742089535403],
        interval: &[(-1.06444528008405, -0.363789164062403)],
        tau2: 0.308760262862376,
        tau2_se: Some(0.229869992511026),
        i2_percent: 92.1173468545621,
        h2: 12.6860840068644,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.9619281859377, 6.462924304704e-5),
        log_likelihood: (-12.6823357814279, -12.2027339222271),
        scale: 1.0,
        prediction: Some((-1.85815375273217, 0.429919308585714)),
    },
    Expected {
        name: "DL_knha",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::KnappHartung,
        design: Design::Mean,
        beta: &[-0.714117222073227],
        se: &[0.180696628335547],
        interval: &[(-1.10782135416833, -0.320413089978125)],
        tau2: 0.308760262862376,
        tau2_se: Some(0.229869992511026),
        i2_percent: 92.1173468545621,
        h2: 12.6860840068644,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6184853931066, 0.00192076676704735),
        log_likelihood: (-12.6823357814279, -12.2027339222271),
        scale: 1.02198950693277,
        prediction: Some((-1.98720696343074, 0.558972519284285)),
    },
    Expected {
        name: "HE",
        method: BetweenVariance::HedgesOlkin,
        inference: CoefficientInference::Wald,
        design: Design::Mean,
        beta: &[-0.715878588758735],
        se: &[0.183279985988782],
        interval: &[(-1.07510076038375, -0.356656417133717)],
        tau2: 0.328563857995769,
        tau2_se: Some(0.207087178298934),
        i2_percent: 92.5570974066271,
        h2: 13.435618529932,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.2562803456811, 9.38641214116677e-5),
        log_likelihood: (-12.71099505101, -12.2063221563585),
        scale: 1.0,
        prediction: Some((-1.89537216612409, 0.463614988606624)),
    },
    Expected {
        name: "HE_knha",
        method: BetweenVariance::HedgesOlkin,
        inference: CoefficientInference::KnappHartung,
        design: Design::Mean,
        beta: &[-0.715878588758735],
        se: &[0.181104069191232],
        interval: &[(-1.11047045821753, -0.321286719299938)],
        tau2: 0.328563857995769,
        tau2_se: Some(0.207087178298934),
        i2_percent: 92.5570974066271,
        h2: 13.435618529932,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6250828769641, 0.00191787656895761),
        log_likelihood: (-12.71099505101, -12.2063221563585),
        scale: 0.97639676319242,
        prediction: Some((-2.02563788654495, 0.59388070902748)),
    },
    Expected {
        name: "EB",
        method: BetweenVariance::PauleMandel,
        inference: CoefficientInference::Wald,
        design: Design::Mean,
        beta: &[-0.714968153493444],
        se: &[0.180892191537624],
        interval: &[(-1.06951033399171, -0.360425972995181)],
        tau2: 0.318068452205024,
        tau2_se: Some(0.173663027462757),
        i2_percent: 92.3303379541532,
        h2: 13.0383841429039,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6218964450317, 7.73536460790275e-5),
        log_likelihood: (-12.6943369162157, -12.2027777563167),
        scale: 1.0,
        prediction: Some((-1.87580708248402, 0.445870775497129)),
    },
    Expected {
        name: "EB_knha",
        method: BetweenVariance::PauleMandel,
        inference: CoefficientInference::KnappHartung,
        design: Design::Mean,
        beta: &[-0.714968153493444],
        se: &[0.180892191537624],
        interval: &[(-1.10909838120224, -0.320837925784648)],
        tau2: 0.318068452205024,
        tau2_se: Some(0.173663027462757),
        i2_percent: 92.3303379541532,
        h2: 13.0383841429039,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6218964450317, 0.001919271831278),
        log_likelihood: (-12.6943369162157, -12.2027777563167),
        scale: 1.0,
        prediction: Some((-2.0054259229281, 0.575489615941215)),
    },
    Expected {
        name: "DL_adhoc_knha",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::KnappHartungModified,
        design: Design::Mean,
        beta: &[-0.714117222073227],
        se: &[0.180696628335547],
        interval: &[(-1.10782135416833, -0.320413089978125)],
        tau2: 0.308760262862376,
        tau2_se: Some(0.229869992511026),
        i2_percent: 92.1173468545621,
        h2: 12.6860840068644,
        q: 152.233008082373,
        q_p: 1.99676459084597e-26,
        omnibus: (15.6184853931066, 0.00192076676704735),
        log_likelihood: (-12.6823357814279, -12.2027339222271),
        scale: 1.02198950693277,
        prediction: Some((-1.98720696343074, 0.558972519284285)),
    },
    Expected {
        name: "ablat_REML_z",
        method: BetweenVariance::RestrictedLikelihood,
        inference: CoefficientInference::Wald,
        design: Design::Latitude,
        beta: &[0.25146821000737, -0.0291017250116497],
        se: &[0.249095396616765, 0.00719532722090451],
        interval: &[(-0.236749796076209, 0.73968621609095), (-0.0432043072216032, -0.0149991428016961)],
        tau2: 0.0763479639552027,
        tau2_se: Some(0.0590472289044412),
        i2_percent: 68.3912248381823,
        h2: 3.16367842436352,
        q: 30.7330900107493,
        q_p: 0.00121429098742004,
        omnibus: (16.3582321471645, 5.24279397380923e-5),
        log_likelihood: (-7.94657355589849, -8.08732005827573),
        scale: 1.0,
        prediction: None,
    },
    Expected {
        name: "ablat_year_REML_z",
        method: BetweenVariance::RestrictedLikelihood,
        inference: CoefficientInference::Wald,
        design: Design::LatitudeAndYear,
        beta: &[-3.54535301985948, -0.0280113294442269, 0.00190748044747169],
        se: &[29.0956222325973, 0.0102339432310022, 0.014683685892015],
        interval: &[
            (-60.571724703533, 53.481018663814),
            (-0.0480694895968187, -0.0079531692916351),
            (-0.0268720150611766, 0.03068697595612),
        ],
        tau2: 0.11078469694691,
        tau2_se: Some(0.0844607754595277),
        i2_percent: 71.9773177783518,
        h2: 3.56853777268857,
        q: 28.3251436562553,
        q_p: 0.00160097442223966,
        omnibus: (12.2044868792649, 0.00223784162113574),
        log_likelihood: (-8.27448856401868, -8.10687383701331),
        scale: 1.0,
        prediction: None,
    },
    Expected {
        name: "ablat_REML_knha",
        method: BetweenVariance::RestrictedLikelihood,
        inference: CoefficientInference::KnappHartung,
        design: Design::Latitude,
        beta: &[0.25146821000737, -0.0291017250116497],
        se: &[0.283925283743383, 0.0082014174110366],
        interval: &[(-0.373447126086624, 0.876383546101365), (-0.0471529230250584, -0.0110505269982409)],
        tau2: 0.0763479639552027,
        tau2_se: Some(0.0590472289044412),
        i2_percent: 68.3912248381823,
        h2: 3.16367842436352,
        q: 30.7330900107493,
        q_p: 0.00121429098742004,
        omnibus: (12.5909828844265, 0.00456505154154001),
        log_likelihood: (-7.94657355589849, -8.08732005827573),
        scale: 1.29920215898297,
        prediction: None,
    },
    Expected {
        name: "ablat_year_REML_knha",
        method: BetweenVariance::RestrictedLikelihood,
        inference: CoefficientInference::KnappHartung,
        design: Design::LatitudeAndYear,
        beta: &[-3.54535301985948, -0.0280113294442269, 0.00190748044747169],
        se: &[32.2563394834655, 0.0113456775206506, 0.0162788048736337],
        interval: &[
            (-75.4169562458279, 68.3262502061089),
            (-0.0532910743300958, -0.00273158455835795),
            (-0.0343639571553751, 0.0381789180503184),
        ],
        tau2: 0.11078469694691,
        tau2_se: Some(0.0844607754595277),
        i2_percent: 71.9773177783518,
        h2: 3.56853777268857,
        q: 28.3251436562553,
        q_p: 0.00160097442223966,
        omnibus: (4.96494755589902, 0.0318035012856683),
        log_likelihood: (-8.27448856401868, -8.10687383701331),
        scale: 1.22906503461092,
        prediction: None,
    },
    Expected {
        name: "ablat_DL_z",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::Wald,
        design: Design::Latitude,
        beta: &[0.259543712434023, -0.0292287387551884],
        se: &[0.232307473392695, 0.00673301083956727],
        interval: &[(-0.195770568755155, 0.714857993623202), (-0.0424251975082581, -0.0160322800021188)],
        tau2: 0.0633005024264152,
        tau2_se: Some(0.0548251478566262),
        i2_percent: 64.2079595766237,
        h2: 2.79391727370448,
        q: 30.7330900107493,
        q_p: 0.00121429098742004,
        omnibus: (18.8452335426353, 1.41764910525301e-5),
        log_likelihood: (-7.83384509095922, -8.10351750721297),
        scale: 1.0,
        prediction: None,
    },
    Expected {
        name: "ablat_year_DL_z",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::Wald,
        design: Design::LatitudeAndYear,
        beta: &[-1.27979143828526, -0.0287644839897293, 0.000772079781768957],
        se: &[25.7549692297105, 0.00897921223501904, 0.0129984747303452],
        interval: &[
            (-51.758603551455, 49.1990206748845),
            (-0.0463634165799081, -0.0111655513995506),
            (-0.0247044625436617, 0.0262486221071996),
        ],
        tau2: 0.0790389578091283,
        tau2_se: Some(0.0739352391461771),
        i2_percent: 64.6956777294522,
        h2: 2.83251436562553,
        q: 28.3251436562553,
        q_p: 0.00160097442223966,
        omnibus: (15.931438270261, 0.000347161962868231),
        log_likelihood: (-7.96957765278996, -8.1654897632474),
        scale: 1.0,
        prediction: None,
    },
    Expected {
        name: "ablat_DL_knha",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::KnappHartung,
        design: Design::Latitude,
        beta: &[0.259543712434023, -0.0292287387551884],
        se: &[0.273874502067518, 0.00793775578620567],
        interval: &[(-0.34325000234407, 0.862337427212117), (-0.0466996214450587, -0.0117578560653182)],
        tau2: 0.0633005024264152,
        tau2_se: Some(0.0548251478566262),
        i2_percent: 64.2079595766237,
        h2: 2.79391727370448,
        q: 30.7330900107493,
        q_p: 0.00121429098742004,
        omnibus: (13.5589070868486, 0.00361167383427363),
        log_likelihood: (-7.83384509095922, -8.10351750721297),
        scale: 1.38987850731083,
        prediction: None,
    },
    Expected {
        name: "ablat_year_DL_knha",
        method: BetweenVariance::DerSimonianLaird,
        inference: CoefficientInference::KnappHartung,
        design: Design::LatitudeAndYear,
        beta: &[-1.27979143828526, -0.0287644839897293, 0.000772079781768957],
        se: &[30.5854041222806, 0.0106632950114719, 0.0154363842975296],
        interval: &[
            (-69.4283186668399, 66.8687357902694),
            (-0.0525237858949813, -0.00500518208447736),
            (-0.0336223278057477, 0.0351664873692856),
        ],
        tau2: 0.0790389578091283,
        tau2_se: Some(0.0739352391461771),
        i2_percent: 64.6956777294522,
        h2: 2.83251436562553,
        q: 28.3251436562553,
        q_p: 0.00160097442223966,
        omnibus: (5.64831116352607, 0.0228268693924819),
        log_likelihood: (-7.96957765278996, -8.1654897632474),
        scale: 1.41028334036713,
        prediction: None,
    },
];
/// Without each trial in turn, REML: estimate, standard error, τ².
const LEAVE_ONE_OUT: [(f64, f64, f64); 13] = [
    (-0.707083784699259, 0.189961014528868, 0.336156701803629),
    (-0.654031200293526, 0.180695386232994, 0.292583083996311),
    (-0.685554410836617, 0.185706196739518, 0.320737929649036),
    (-0.628409369807674, 0.176618891784776, 0.262758148091002),
    (-0.764170095140256, 0.19178764474374, 0.327803260442081),
    (-0.710876555564008, 0.200254048401739, 0.359554070376809),
    (-0.655247599784662, 0.180473369210369, 0.293025869767263),
    (-0.794767604515521, 0.179877685980578, 0.273182929386648),
    (-0.741197299304493, 0.19667491771498, 0.349452009805488),
    (-0.653032915305876, 0.1842674878859, 0.298724504633231),
    (-0.757858626723502, 0.195786866131639, 0.340488287792991),
    (-0.759812099334467, 0.182090981941953, 0.308162214795441),
    (-0.777536184894367, 0.185535977367927, 0.303733366367171),
];

enum Design {
    Mean,
    Latitude,
    LatitudeAndYear,
}

impl Design {
    fn matrix(&self) -> Mat<f64> {
        let columns: &[&[f64; 13]] = match self {
            Self::Mean => &[],
            Self::Latitude => &[&LATITUDE],
            Self::LatitudeAndYear => &[&LATITUDE, &YEAR],
        };
        Mat::from_fn(13, 1 + columns.len(), |i, j| if j == 0 { 1.0 } else { columns[j - 1][i] })
    }
}

struct Expected {
    name: &'static str,
    method: BetweenVariance,
    inference: CoefficientInference,
    design: Design,
    beta: &'static [f64],
    se: &'static [f64],
    interval: &'static [(f64, f64)],
    tau2: f64,
    tau2_se: Option<f64>,
    i2_percent: f64,
    h2: f64,
    q: f64,
    q_p: f64,
    /// Statistic and p value of all covariates together (of the mean where there are none).
    omnibus: (f64, f64),
    /// Maximum likelihood and restricted.
    log_likelihood: (f64, f64),
    scale: f64,
    prediction: Option<(f64, f64)>,
}

fn fit(method: BetweenVariance, inference: CoefficientInference, design: &Design) -> MetaFit {
    let x = design.matrix();
    MetaFit::new(Estimates::new(&Y, &V, x.as_ref()).unwrap(), method, inference).unwrap()
}

#[test]
fn every_estimator_with_and_without_knapp_hartung() {
    for expected in EXPECTED {
        let found = fit(expected.method, expected.inference, &expected.design);
        // the iteration of the other program leaves some 10⁻⁹ in τ², and the year makes the design ill-conditioned
        let tol = Tol { abs: 1e-12, rel: 2e-7 };
        let check =
            |what: &str, found: f64, wanted: f64| close(&format!("{} {what}", expected.name), found, wanted, tol);
        check("τ²", found.tau2, expected.tau2);
        if let Some(se) = expected.tau2_se {
            check("se of τ²", found.tau2_se.unwrap(), se);
        }
        for (j, &beta) in expected.beta.iter().enumerate() {
            let unit: Vec<f64> = (0..expected.beta.len()).map(|k| f64::from(u8::from(k == j))).collect();
            check("β", found.coefficients[j], beta);
            check("se", found.standard_errors()[j], expected.se[j]);
            let interval = found.interval(&unit, 0.95).unwrap();
            check("lower", interval.lower, expected.interval[j].0);
            check("upper", interval.upper, expected.interval[j].1);
        }
        check("I²", 100.0 * found.i2(), expected.i2_percent);
        check("H²", found.h2(), expected.h2);
        let heterogeneity = found.heterogeneity().unwrap();
        check("Q", heterogeneity.q, expected.q);
        close(&format!("{} p of Q", expected.name), heterogeneity.p, expected.q_p, Tol::rel(1e-9));
        let tested: Vec<usize> = if expected.beta.len() == 1 { vec![0] } else { (1..expected.beta.len()).collect() };
        let omnibus = found.omnibus(&tested).unwrap();
        check("omnibus", omnibus.statistic, expected.omnibus.0);
        close(&format!("{} p of the omnibus test", expected.name), omnibus.p, expected.omnibus.1, Tol::rel(2e-6));
        check("log likelihood", found.log_likelihood, expected.log_likelihood.0);
        check("restricted log likelihood", found.restricted_log_likelihood, expected.log_likelihood.1);
        if expected.inference != CoefficientInference::Wald {
            check("scale", found.scale.max(if expected.name == "DL_adhoc_knha" { 1.0 } else { 0.0 }), expected.scale);
        }
        if let Some((lower, upper)) = expected.prediction {
            let interval = found.prediction_interval(&[1.0], 0.95, PredictionDegrees::OfCoefficients).unwrap();
            check("prediction lower", interval.lower, lower);
            check("prediction upper", interval.upper, upper);
        }
    }
}

#[test]
fn common_effect() {
    let found = fit(BetweenVariance::Common, CoefficientInference::Wald, &Design::Mean);
    let tol = Tol::rel(1e-12);
    close("β", found.coefficients[0], -0.430285163654091, tol);
    close("se", found.standard_errors()[0], 0.0404987517108638, tol);
    close("log likelihood", found.log_likelihood, -70.2235699044309, tol);
    close("restricted", found.restricted_log_likelihood, -71.2286408197941, tol);
    assert_eq!((found.tau2, found.tau2_se), (0.0, None));
}

#[test]
fn paule_mandel_within_the_search_tolerance_of_the_other_program() {
    let found = fit(BetweenVariance::PauleMandel, CoefficientInference::Wald, &Design::Mean);
    close("τ²", found.tau2, 0.318093711863015, Tol::abs(1.2e-4));
    close("β", found.coefficients[0], -0.714970405632446, Tol::abs(1e-5));
}

#[test]
fn interval_of_the_variance_between() {
    let found = fit(BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald, &Design::Mean);
    let interval = found.tau2_interval(0.95).unwrap();
    // Viechtbauer 2010, p. 20
    close_to_printed("lower as published", interval.lower, "0.1197");
    close_to_printed("upper as published", interval.upper, "1.1115");
    // metafor's own search stops at 10⁻⁴ of the root
    close("lower", interval.lower, 0.119695312816638, Tol::abs(1e-4));
    close("upper", interval.upper, 1.11148626221544, Tol::abs(1e-4));
}

#[test]
fn published_analysis() {
    let mean = fit(BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald, &Design::Mean);
    close_to_printed("τ²", mean.tau2, "0.3132");
    close_to_printed("se of τ²", mean.tau2_se.unwrap(), "0.1664");
    close_to_printed("I²", 100.0 * mean.i2(), "92.22");
    close_to_printed("H²", mean.h2(), "12.86");
    close_to_printed("Q", mean.heterogeneity().unwrap().q, "152.2330");
    close_to_printed("β", mean.coefficients[0], "-0.7145");
    close_to_printed("se", mean.standard_errors()[0], "0.1798");
    let both = fit(BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald, &Design::LatitudeAndYear);
    close_to_printed("τ² with covariates", both.tau2, "0.1108");
    // the paper's iteration stopped at 10⁻⁵ of τ²; iterated on, its program gives 12.2045 (checked above)
    close("QM", both.omnibus(&[1, 2]).unwrap().statistic, 12.2043, Tol::abs(5e-4));
    close("intercept", both.coefficients[0], -3.5455, Tol::abs(5e-4));
    close_to_printed("latitude", both.coefficients[1], "-0.0280");
    close_to_printed("year", both.coefficients[2], "0.0019");
    close("explained", 100.0 * both.explained_between(&mean), 64.6330147355825, Tol::abs(1e-5));
}

/// Higgins, Thompson & Spiegelhalter 2009, J. R. Stat. Soc. A 172:137–159, t on k − 2; computed with scipy 1.17.
#[test]
fn prediction_with_one_degree_of_freedom_less() {
    let found = fit(BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald, &Design::Mean);
    let interval = found.prediction_interval(&[1.0], 0.95, PredictionDegrees::OneLess).unwrap();
    close_to_printed("lower", interval.lower, "-2.0084");
    close_to_printed("upper", interval.upper, "0.5793");
}

#[test]
fn leaving_out_each_trial() {
    for (left_out, expected) in LEAVE_ONE_OUT.into_iter().enumerate() {
        let keep = |values: &[f64; 13]| -> Vec<f64> { (0..13).filter(|&i| i != left_out).map(|i| values[i]).collect() };
        let (y, v, x) = (keep(&Y), keep(&V), Mat::from_fn(12, 1, |_, _| 1.0));
        let estimates = Estimates::new(&y, &v, x.as_ref()).unwrap();
        let found = MetaFit::new(estimates, BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald).unwrap();
        let tol = Tol::rel(2e-7);
        close(&format!("β without {left_out}"), found.coefficients[0], expected.0, tol);
        close(&format!("se without {left_out}"), found.standard_errors()[0], expected.1, tol);
        close(&format!("τ² without {left_out}"), found.tau2, expected.2, tol);
    }
}

/// `λ y + (1 − λ) β` worked with mpmath 1.4.1 from the REML estimates above, for the first and the eighth trial.
#[test]
fn estimates_drawn_towards_the_mean() {
    let found = fit(BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald, &Design::Mean).shrunken();
    close("estimate of trial 0", found[0].estimate, -0.8002335619703492, Tol::rel(1e-7));
    close("se of trial 0", found[0].se, 0.40993044752616675, Tol::rel(1e-7));
    close("estimate of trial 7", found[7].estimate, 0.0028792478967663414, Tol::rel(1e-7));
    close("se of trial 7", found[7].se, 0.06258709441136338, Tol::rel(1e-7));
}

/// Averaged over τ with a half-normal prior of scale 1: Simpson quadrature over 20,000 points of τ in numpy 2.4, the
/// quantiles by `scipy.optimize.brentq` (scipy 1.17).
#[test]
fn averaged_over_the_variance_between() {
    let fitted = fit(BetweenVariance::RestrictedLikelihood, CoefficientInference::Wald, &Design::Mean);
    let posterior = fitted.integrated(1.0).unwrap();
    let (mean, new) = (posterior.coefficient(&[1.0]).unwrap(), posterior.prediction(&[1.0]).unwrap());
    close("mean", mean.mean().unwrap(), -0.7155820874093924, Tol::abs(1e-6));
    close("τ", posterior.tau_mean(), 0.6209249316047694, Tol::abs(1e-5));
    close("median τ", posterior.tau_quantile(0.5).unwrap(), 0.5948154591280103, Tol::abs(1e-4));
    for (p, of_mean, of_new) in [
        (0.025, -1.124408736140433, -2.0791849884069884),
        (0.5, -0.7126401643533167, -0.7119216642969542),
        (0.95, -0.39278148801051455, 0.3745523161053319),
    ] {
        close(&format!("mean at {p}"), mean.quantile(p).unwrap(), of_mean, Tol::abs(1e-5));
        close(&format!("new at {p}"), new.quantile(p).unwrap(), of_new, Tol::abs(1e-5));
    }
    close("new above 0", new.survival(0.0), 0.12954281227523268, Tol::abs(1e-6));
}
