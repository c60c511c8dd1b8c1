# Reads stage,temperature,days with a header from standard input and prints
# "name value" lines of the reference fits of R's lm and nls.
all <- read.csv(file("stdin"))
all$rate <- 1 / all$days
show <- function(name, value) cat(sprintf("%s %.15g\n", name, value))

line <- summary(lm(rate ~ temperature, all[all$stage == "egg" & all$temperature <= 35, ]))
show("lm intercept", line$coefficients[1, 1])
show("lm slope", line$coefficients[2, 1])
show("lm intercept se", line$coefficients[1, 2])
show("lm slope se", line$coefficients[2, 2])
show("lm r2", line$r.squared)
show("lm variance", line$sigma^2)

fit <- function(name, stage, formula, parameters, start) {
  d <- all[all$stage == stage, ]
  # Derivatives in closed form, so that nls converges to the minimum itself.
  rhs <- deriv(formula[[3]], parameters, function.arg = c(parameters, "temperature"))
  call <- as.call(c(as.name("rhs"), lapply(c(parameters, "temperature"), as.name)))
  f <- eval(substitute(rate ~ x, list(x = call)))
  environment(f) <- environment()
  m <- nls(f, d, start = start, control = nls.control(maxiter = 200, tol = 1e-8, minFactor = 2^-40))
  s <- summary(m)$coefficients
  for (p in parameters) {
    show(paste(name, p), s[p, 1])
    show(paste(name, p, "se"), s[p, 2])
  }
  show(paste(name, "squares"), deviance(m))
}

fit("briere-1", "egg", rate ~ a * temperature * (temperature - lower) * sqrt(upper - temperature),
    c("a", "lower", "upper"), list(a = 1.5e-4, lower = 8, upper = 42))
fit("lactin-2", "pupa", rate ~ exp(rho * temperature) - exp(rho * tmax - (tmax - temperature) / delta) + lambda,
    c("rho", "tmax", "delta", "lambda"), list(rho = 0.005, tmax = 42, delta = 1.5, lambda = -1.05))
fit("logan-6", "egg", rate ~ psi * (exp(rho * temperature) - exp(rho * tmax - (tmax - temperature) / delta)),
    c("psi", "rho", "tmax", "delta"), list(psi = 0.011, rho = 0.15, tmax = 40.5, delta = 5))
