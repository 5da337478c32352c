//! A small system of linear equations.

/// Solves `matrix · x = right` for a symmetric matrix without negative eigenvalues, by Gaussian
/// elimination without exchanges (which such a matrix does not need; G. Golub, C. Van Loan, *Matrix
/// Computations*, 4.1–4.2; from memory). An unknown that the equations leave open is 0.
pub fn solve<const N: usize>(mut matrix: [[f64; N]; N], mut right: [f64; N]) -> [f64; N] {
    let scale = std::array::from_fn::<f64, N, _>(|row| matrix[row][row]);
    let open = |pivot: f64, row: usize| pivot <= 1e-12 * scale[row];
    for pivot in 0..N {
        if open(matrix[pivot][pivot], pivot) {
            continue;
        }
        let (subtracted, subtracted_right) = (matrix[pivot], right[pivot]);
        for (row, right) in matrix.iter_mut().zip(&mut right).skip(pivot + 1) {
            let factor = row[pivot] / subtracted[pivot];
            for (value, subtracted) in row.iter_mut().zip(subtracted).skip(pivot) {
                *value -= factor * subtracted;
            }
            *right -= factor * subtracted_right;
        }
    }
    let mut x = [0.0; N];
    for row in (0..N).rev() {
        if !open(matrix[row][row], row) {
            let known: f64 = (row + 1..N)
                .map(|column| matrix[row][column] * x[column])
                .sum();
            x[row] = (right[row] - known) / matrix[row][row];
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solutions_solve_and_open_unknowns_are_zero() {
        let matrix = [[4.0, 1.0, 0.0], [1.0, 3.0, 0.0], [0.0, 0.0, 0.0]];
        let x = solve(matrix, [1.0, 2.0, 0.0]);
        // By Cramer's rule: (1·3 − 2·1)/11 and (4·2 − 1·1)/11.
        assert!((x[0] - 1.0 / 11.0).abs() < 1e-15 && (x[1] - 7.0 / 11.0).abs() < 1e-15);
        assert_eq!(x[2], 0.0);
    }

    #[test]
    fn equations_that_say_the_same_leave_one_unknown_open() {
        assert_eq!(solve([[1.0, 1.0], [1.0, 1.0]], [2.0, 2.0]), [2.0, 0.0]);
    }
}
